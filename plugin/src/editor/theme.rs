//! Paper, ink and type.

use egui::{Color32, Context, CornerRadius, FontFamily, FontId, Margin, Shadow, Stroke, TextStyle};

/// What the sheet lies on, when the window is larger.
pub(crate) const DESK: Color32 = Color32::from_rgb(0xE6, 0xDF, 0xD1);
/// The sheet.
pub(crate) const PAPER: Color32 = Color32::from_rgb(0xF5, 0xF1, 0xE8);
/// What lies on the sheet: fields and menus.
pub(crate) const CARD: Color32 = Color32::from_rgb(0xFC, 0xFA, 0xF5);
/// Text, marks, whatever is on.
pub(crate) const INK: Color32 = Color32::from_rgb(0x24, 0x21, 0x1C);
/// Headings, units of a scale, help.
pub(crate) const FAINT_INK: Color32 = Color32::from_rgb(0x69, 0x62, 0x57);
/// A wash of ink.
pub(crate) const WASH: Color32 = Color32::from_rgb(0xB9, 0xB1, 0xA2);
/// Lines that divide.
pub(crate) const LINE: Color32 = Color32::from_rgb(0xCD, 0xC5, 0xB6);
/// The middle.
pub(crate) const MID: Color32 = Color32::from_rgb(0x12, 0x58, 0x94);
/// The side.
pub(crate) const SIDE: Color32 = Color32::from_rgb(0x97, 0x4E, 0x00);

/// A hairline on the sheet.
pub(crate) const HAIR: Stroke = Stroke { width: 1.0, color: LINE };
/// A line of a scale.
pub(crate) const SCALE: Stroke = Stroke { width: 1.0, color: INK };

/// Names of controls and readings.
pub(crate) const TEXT: FontId = font(13.0, FontFamily::Proportional);
/// Headings, help and what stands at a scale.
pub(crate) const SMALL: FontId = font(12.0, FontFamily::Proportional);
/// The name on the sheet.
pub(crate) const TITLE: FontId = font(21.0, FontFamily::Proportional);
/// Values: every digit is as wide as the next, so nothing jitters.
pub(crate) const VALUE: FontId = font(12.0, FontFamily::Monospace);
/// Scales.
pub(crate) const SCALE_VALUE: FontId = font(10.5, FontFamily::Monospace);
/// The one large number.
pub(crate) const LARGE_VALUE: FontId = font(18.0, FontFamily::Monospace);

/// [`TEXT`] and [`VALUE`] as they fit side by side into a cell of this width, in points.
pub(crate) fn fonts_for(width: f32) -> (FontId, FontId) {
    const NARROW: f32 = 150.0;
    if width < NARROW { (font(11.0, FontFamily::Proportional), SCALE_VALUE) } else { (TEXT, VALUE) }
}

const fn font(size: f32, family: FontFamily) -> FontId {
    FontId { size, family }
}

/// Dresses egui's own menus and text fields to match, and stills what would redraw by itself.
pub(crate) fn apply(ctx: &Context) {
    ctx.options_mut(|options| {
        // Zoom is a choice on the sheet, and these keys belong to the host.
        options.zoom_with_keyboard = false;
    });
    ctx.set_theme(egui::Theme::Light);
    ctx.global_style_mut(|style| {
        style.animation_time = 0.0;
        style.text_styles.insert(TextStyle::Body, TEXT);
        style.text_styles.insert(TextStyle::Button, TEXT);
        style.text_styles.insert(TextStyle::Monospace, VALUE);
        style.spacing.menu_margin = Margin::same(6);
        style.spacing.button_padding = egui::vec2(8.0, 3.0);
        let visuals = &mut style.visuals;
        visuals.override_text_color = Some(INK);
        visuals.panel_fill = PAPER;
        visuals.window_fill = CARD;
        visuals.window_stroke = HAIR;
        visuals.menu_corner_radius = CornerRadius::same(3);
        visuals.popup_shadow =
            Shadow { offset: [0, 2], blur: 8, spread: 0, color: Color32::from_black_alpha(40) };
        visuals.extreme_bg_color = CARD;
        visuals.selection.bg_fill = Color32::from_rgb(0xD9, 0xD1, 0xBF);
        visuals.selection.stroke = Stroke::new(1.0, INK);
        visuals.text_cursor.stroke = Stroke::new(1.5, INK);
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
        visuals.widgets.hovered.weak_bg_fill = PAPER;
        visuals.widgets.active.weak_bg_fill = LINE;
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Contrast ratio by WCAG 2.2, 1 to 21.
    fn contrast(a: Color32, b: Color32) -> f64 {
        let luminance = |color: Color32| {
            let linear = |channel: u8| {
                let c = f64::from(channel) / 255.0;
                if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
            };
            0.2126 * linear(color.r()) + 0.7152 * linear(color.g()) + 0.0722 * linear(color.b())
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn everything_written_stands_out_from_the_paper() {
        for ink in [INK, FAINT_INK, MID, SIDE] {
            for ground in [PAPER, CARD] {
                assert!(contrast(ink, ground) >= 4.5, "{ink:?} on {ground:?}");
            }
        }
        assert!(contrast(PAPER, INK) >= 4.5);
    }

    #[test]
    fn digits_are_of_one_width_and_every_sign_exists() {
        let ctx = Context::default();
        let mut output = ctx.run_ui(egui::RawInput::default(), |ui| {
            ui.ctx().fonts_mut(|fonts| {
                for font in [VALUE, SCALE_VALUE, LARGE_VALUE] {
                    let width = fonts.glyph_width(&font, '0');
                    for sign in "0123456789\u{2212} .:".chars() {
                        assert_eq!(fonts.glyph_width(&font, sign), width, "{sign:?}");
                    }
                    assert!(fonts.has_glyphs(&font, "\u{2212}\u{2192}\u{2014}%"));
                }
                assert!(fonts.has_glyphs(&TEXT, "\u{2212}\u{2026}"));
            });
        });
        // Nothing draws them; egui insists that somebody takes note.
        output.textures_delta.clear();
    }
}
