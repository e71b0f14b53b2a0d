//! Find threshold: what it is to be found for.

use egui::{DragValue, Id, Rect, Role, Sense, Ui, WidgetInfo, pos2, vec2};
use tenon_dsp::TARGETS_DB;

use crate::editor::figures::{fixed, one_digit_or_dash};
use crate::editor::finder::Finder;
use crate::editor::hand::Hand;
use crate::editor::help::Help;
use crate::editor::shown::Shown;
use crate::editor::theme;
use crate::editor::widgets::{Menu, keep_arrows};

const NAME: &str = "Find threshold";
const HELP: &str = "Finds the threshold at which the gain reduction has the typical maximum you want, in the last 10 s played. One step, which undo takes back.";
pub(super) const TYPICAL: &str = "The largest reduction within a second, averaged over the middle half of the seconds: of the last 10 s played, or since the controls moved.";
/// Usual targets, dB.
const USUAL_DB: [f32; 3] = [1.0, 2.0, 3.0];

/// Shows the words that open the menu, at the right of a heading.
pub(super) fn show(
    ui: &mut Ui,
    heading: Rect,
    hand: &mut Hand<'_>,
    finder: &mut Finder,
    shown: &Shown,
    help: &mut Help,
) {
    let inks = theme::of(ui);
    let color = if finder.is_searching() { inks.faint } else { inks.ink };
    let text = ui.painter().layout_no_wrap(NAME.to_owned(), theme::SMALL, color);
    let right = heading.right() - 11.0;
    let place = Rect::from_min_max(
        pos2(right - text.size().x, heading.top() + 0.5),
        pos2(heading.right(), heading.top() + 16.0),
    );
    let response = ui.interact(place.expand2(vec2(3.0, 0.0)), Id::unique(NAME), Sense::click());
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, NAME));
    keep_arrows(&response);
    help.over(&response, HELP);
    ui.painter().galley(place.min, text, color);
    let tip = pos2(heading.right() - 4.0, place.center().y + 2.5);
    ui.painter().add(egui::Shape::convex_polygon(
        vec![tip, tip + vec2(-4.0, -5.0), tip + vec2(4.0, -5.0)],
        color,
        egui::Stroke::NONE,
    ));
    if response.hovered() || response.has_focus() {
        ui.painter().hline(place.x_range(), place.bottom() - 0.5, inks.hot());
    }
    Menu::new(210.0).stays().show(&response, |ui| menu(ui, hand, finder, shown, help));
}

fn menu(ui: &mut Ui, hand: &mut Hand<'_>, finder: &mut Finder, shown: &Shown, help: &mut Help) {
    let faint = theme::of(ui).faint;
    let small = |text: String| egui::RichText::new(text).font(theme::SMALL).color(faint);
    let typical = one_digit_or_dash(shown.typical_db());
    let reading = ui.label(small(format!("Typical maximum now {typical} dB")));
    help.over(&reading, TYPICAL);
    ui.label(small("Find the threshold for".to_owned()));
    let mut wanted = None;
    ui.horizontal(|ui| {
        for target_db in USUAL_DB {
            let entry = ui.button(format!("{} dB", fixed(target_db, 0)));
            help.over(
                &entry,
                "About 2 dB is usual on a drum subgroup, about 1 dB on a master bus.",
            );
            if entry.clicked() {
                wanted = Some(target_db);
            }
        }
    });
    ui.horizontal(|ui| {
        let field = ui.add(
            DragValue::new(&mut finder.target_db)
                .range(TARGETS_DB)
                .fixed_decimals(1)
                .speed(0.05)
                .suffix(" dB"),
        );
        help.over(&field, "0.5 to 12 dB of typical maximum reduction: drag, or click and type.");
        let find = ui.button("Find");
        help.over(&find, HELP);
        if find.clicked() {
            wanted = Some(finder.target_db);
        }
    });
    if let Some(target_db) = wanted {
        let tempo_bpm = shown.marks().and_then(|readings| readings.tempo_bpm);
        if let Err(answer) = finder.start(&hand.settings(), tempo_bpm, target_db) {
            Help::answer(ui, answer);
        }
        ui.close();
    }
}
