//! Paper, ink and type, on a light and on a dark sheet.

use std::sync::Arc;

use egui::{
    Color32, Context, CornerRadius, FontData, FontDefinitions, FontFamily, FontId, Margin, Shadow,
    Stroke, Style, TextStyle, Theme, Ui,
};

/// Everything on a sheet is painted with these.
#[derive(Debug, PartialEq)]
pub(crate) struct Inks {
    /// The sheet.
    pub(crate) paper: Color32,
    /// What lies on the sheet: fields, menus, the strips of the chart.
    pub(crate) card: Color32,
    /// Text, marks, whatever is on.
    pub(crate) ink: Color32,
    /// Headings, units of a scale, help.
    pub(crate) faint: Color32,
    /// A wash of ink.
    pub(crate) wash: Color32,
    /// Lines that divide.
    pub(crate) line: Color32,
    /// The middle.
    pub(crate) mid: Color32,
    /// The side.
    pub(crate) side: Color32,
    /// What moves together.
    pub(crate) together: Color32,
}

/// Ink on paper.
pub(crate) const LIGHT: Inks = Inks {
    paper: Color32::from_rgb(0xF4, 0xF0, 0xE7),
    card: Color32::from_rgb(0xFC, 0xFA, 0xF5),
    ink: Color32::from_rgb(0x24, 0x21, 0x1C),
    faint: Color32::from_rgb(0x69, 0x62, 0x57),
    wash: Color32::from_rgb(0xD6, 0xD0, 0xC3),
    line: Color32::from_rgb(0xD3, 0xCC, 0xBE),
    mid: Color32::from_rgb(0x12, 0x5A, 0x98),
    side: Color32::from_rgb(0xA2, 0x52, 0x00),
    together: Color32::from_rgb(0x06, 0x74, 0x5A),
};

/// Chalk on slate, for dark rooms.
pub(crate) const DARK: Inks = Inks {
    paper: Color32::from_rgb(0x1F, 0x20, 0x21),
    card: Color32::from_rgb(0x28, 0x29, 0x2B),
    ink: Color32::from_rgb(0xEC, 0xE7, 0xDB),
    faint: Color32::from_rgb(0xA8, 0xA2, 0x96),
    wash: Color32::from_rgb(0x4A, 0x49, 0x47),
    line: Color32::from_rgb(0x43, 0x43, 0x43),
    mid: Color32::from_rgb(0x74, 0xB4, 0xEC),
    side: Color32::from_rgb(0xF0, 0xA6, 0x4A),
    together: Color32::from_rgb(0x58, 0xC2, 0x9B),
};

/// The inks of the sheet that `ui` draws.
pub(crate) fn of(ui: &Ui) -> &'static Inks {
    if ui.visuals().dark_mode { &DARK } else { &LIGHT }
}

impl Inks {
    /// A hairline on the sheet.
    pub(crate) fn hair(&self) -> Stroke {
        Stroke::new(1.0, self.line)
    }

    /// A line around what the pointer or the keyboard is on.
    pub(crate) fn hot(&self) -> Stroke {
        Stroke::new(1.0, self.ink)
    }
}

/// Egui has no family for bold; nothing on the sheet is monospaced, so that one stands for it.
const BOLD: FontFamily = FontFamily::Monospace;

/// Names of controls and readings.
pub(crate) const TEXT: FontId = font(13.0, FontFamily::Proportional);
/// Headings of a part, and the names of strips.
pub(crate) const HEADING: FontId = font(13.0, BOLD);
/// Help and what stands at a reading.
pub(crate) const SMALL: FontId = font(12.0, FontFamily::Proportional);
/// The name on the sheet.
pub(crate) const TITLE: FontId = font(19.0, BOLD);
/// Values.
pub(crate) const VALUE: FontId = font(12.5, BOLD);
/// Scales.
pub(crate) const SCALE_VALUE: FontId = font(11.0, FontFamily::Proportional);

const fn font(size: f32, family: FontFamily) -> FontId {
    FontId { size, family }
}

/// The one large number, of a size that suits the room.
pub(crate) const fn large(size: f32) -> FontId {
    font(size, BOLD)
}

/// Lays the light or the dark sheet.
pub(crate) fn lay(ctx: &Context, dark: bool) {
    ctx.set_theme(if dark { Theme::Dark } else { Theme::Light });
}

/// Dresses egui's own menus and text fields to match, and stills what would redraw by itself.
pub(crate) fn apply(ctx: &Context) {
    ctx.set_fonts(fonts());
    ctx.options_mut(|options| {
        // Zoom is a choice on the sheet, and these keys belong to the host.
        options.zoom_with_keyboard = false;
    });
    ctx.style_mut_of(Theme::Light, |style| dress(style, &LIGHT));
    ctx.style_mut_of(Theme::Dark, |style| dress(style, &DARK));
    lay(ctx, false);
}

/// Plex Sans: its digits, signs and figure spaces are all of one width, so nothing jitters.
fn fonts() -> FontDefinitions {
    let mut fonts = FontDefinitions::default();
    for (name, family, file) in [
        (
            "regular",
            FontFamily::Proportional,
            &include_bytes!("../../fonts/IBMPlexSans-Regular.ttf")[..],
        ),
        ("bold", BOLD, &include_bytes!("../../fonts/IBMPlexSans-SemiBold.ttf")[..]),
    ] {
        fonts.font_data.insert(name.to_owned(), Arc::new(FontData::from_static(file)));
        fonts.families.entry(family).or_default().insert(0, name.to_owned());
    }
    fonts
}

fn dress(style: &mut Style, inks: &Inks) {
    style.animation_time = 0.0;
    style.text_styles.insert(TextStyle::Body, TEXT);
    style.text_styles.insert(TextStyle::Button, TEXT);
    style.text_styles.insert(TextStyle::Monospace, VALUE);
    style.spacing.menu_margin = Margin::same(6);
    style.spacing.button_padding = egui::vec2(8.0, 3.0);
    let visuals = &mut style.visuals;
    visuals.override_text_color = Some(inks.ink);
    visuals.panel_fill = inks.paper;
    visuals.window_fill = inks.card;
    visuals.window_stroke = inks.hair();
    visuals.menu_corner_radius = CornerRadius::same(3);
    visuals.popup_shadow =
        Shadow { offset: [0, 2], blur: 8, spread: 0, color: Color32::from_black_alpha(60) };
    visuals.extreme_bg_color = inks.paper;
    visuals.selection.bg_fill = inks.wash;
    visuals.selection.stroke = inks.hot();
    visuals.text_cursor.stroke = Stroke::new(1.5, inks.ink);
    visuals.text_cursor.blink = false;
    for widget in [
        &mut visuals.widgets.inactive,
        &mut visuals.widgets.hovered,
        &mut visuals.widgets.active,
        &mut visuals.widgets.open,
    ] {
        widget.corner_radius = CornerRadius::same(2);
        widget.bg_stroke = Stroke::NONE;
        widget.weak_bg_fill = Color32::TRANSPARENT;
        widget.expansion = 0.0;
    }
    visuals.widgets.hovered.weak_bg_fill = inks.paper;
    visuals.widgets.active.weak_bg_fill = inks.line;
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Linear light, 0 to 1, red, green and blue, of an sRGB colour (IEC 61966-2-1).
    fn linear(color: Color32) -> [f64; 3] {
        [color.r(), color.g(), color.b()].map(|channel| {
            let c = f64::from(channel) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        })
    }

    /// CIE XYZ of linear sRGB (IEC 61966-2-1).
    fn xyz(rgb: [f64; 3]) -> [f64; 3] {
        transform(
            [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]],
            rgb,
        )
    }

    fn transform(matrix: [[f64; 3]; 3], vector: [f64; 3]) -> [f64; 3] {
        matrix.map(|row| row.iter().zip(vector).map(|(m, v)| m * v).sum())
    }

    /// Contrast ratio by WCAG 2.2, 1 to 21.
    fn contrast(a: Color32, b: Color32) -> f64 {
        let (a, b) = (xyz(linear(a))[1], xyz(linear(b))[1]);
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// CIE 1976 L*a*b*, white D65.
    fn lab(rgb: [f64; 3]) -> [f64; 3] {
        let [x, y, z] = xyz(rgb);
        let f = |t: f64| {
            if t > 0.008_856 { t.cbrt() } else { 7.787 * t + 16.0 / 116.0 }
        };
        let (x, y, z) = (f(x / 0.9505), f(y), f(z / 1.089));
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    fn difference(a: [f64; 3], b: [f64; 3]) -> f64 {
        lab(a).iter().zip(lab(b)).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt()
    }

    /// What eyes without one kind of cone see, in linear light: Machado, Oliveira and Fernandes
    /// (2009), IEEE Trans. Vis. Comput. Graph. 15(6):1291, severity 1.0.
    const PROTANOPIA: [[f64; 3]; 3] = [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ];
    const DEUTERANOPIA: [[f64; 3]; 3] = [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ];
    const ALL_CONES: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

    #[test]
    fn everything_written_stands_out_from_the_paper() {
        for inks in [&LIGHT, &DARK] {
            for ink in [inks.ink, inks.faint, inks.mid, inks.side, inks.together] {
                for ground in [inks.paper, inks.card] {
                    let contrast = contrast(ink, ground);
                    assert!(contrast >= 4.5, "{ink:?} on {ground:?}: {contrast:.2}");
                }
            }
        }
    }

    #[test]
    fn the_three_hues_stay_apart_for_all_eyes() {
        for inks in [&LIGHT, &DARK] {
            for (a, b) in
                [(inks.mid, inks.side), (inks.mid, inks.together), (inks.side, inks.together)]
            {
                for eyes in [ALL_CONES, PROTANOPIA, DEUTERANOPIA] {
                    let seen =
                        |color| transform(eyes, linear(color)).map(|light| light.clamp(0.0, 1.0));
                    // Ten times what is just noticed, 2.3 (Mahy, Van Eycken and Oosterlinck 1994).
                    let apart = difference(seen(a), seen(b));
                    assert!(apart > 23.0, "{a:?} and {b:?}: {apart:.1}");
                }
            }
        }
    }

    #[test]
    fn nothing_is_written_smaller_than_it_can_be_read() {
        for font in [TEXT, HEADING, SMALL, TITLE, VALUE, SCALE_VALUE] {
            assert!(font.size >= 9.5, "{font:?}");
        }
    }

    #[test]
    fn digits_are_of_one_width_and_every_sign_exists() {
        let ctx = Context::default();
        apply(&ctx);
        let mut output = ctx.run_ui(egui::RawInput::default(), |ui| {
            ui.ctx().fonts_mut(|fonts| {
                for font in [VALUE, SCALE_VALUE, SMALL, large(40.0)] {
                    let width = fonts.glyph_width(&font, '0');
                    // The figure space pads.
                    for sign in "0123456789\u{2212}+\u{2007}".chars() {
                        assert_eq!(fonts.glyph_width(&font, sign), width, "{sign:?}");
                    }
                    assert!(fonts.has_glyphs(&font, "\u{2212}\u{2192}\u{2014}%\u{2026}:."));
                }
            });
        });
        // Nothing draws them; egui insists that somebody takes note.
        output.textures_delta.clear();
    }
}
