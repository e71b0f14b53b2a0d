//! `cargo xtask tidy`: data walks downhill.
//!
//! Inside a crate a file imports only files above it in the tables below, and nothing that they
//! forbid it. These tables are the one place where the order is kept. Test modules may import
//! anything. Three small checks come along: no text names a folder of someone's own machine, every text
//! ends with a line end, and every test that `tests/README.md` names exists.

mod paths;
mod promises;

use std::fmt;
use std::fs;
use std::path::Path;

use anyhow::{Context, Result, bail};

use crate::workspace;
use paths::mentions;

/// The order of a crate.
struct Order {
    /// Folder of the sources, from the root of the workspace.
    folder: &'static str,
    /// Name by which programs in the same folder import the library.
    library: &'static str,
    /// What no file of the crate may know.
    not: &'static [&'static str],
    /// The files, each below those it may import, with what it must not know beyond that. What comes
    /// after `lib.rs` are programs.
    files: &'static [(&'static str, &'static [&'static str])],
}

// What a file must not know is a path (`crate::settings`, `egui`), or the name of a type wherever it
// comes from (`Processor`).

// What comes after compression, and what only measures, sees signals and not how they were made.
const NO_STAGES: &[&str] = &["crate::compressor", "crate::detector", "crate::gain", "crate::key"];
const NO_HOST: &[&str] = &["nice_plug", "nice_plug_egui", "egui"];
const NO_SCREEN: &[&str] = &["nice_plug_egui", "egui"];
const NO_SCREEN_NO_LOCKS: &[&str] =
    &["nice_plug_egui", "egui", "parking_lot", "Mutex", "RwLock", "Condvar"];
const NO_ENGINE: &[&str] = &["crate::audio", "Processor"];

const ORDERS: &[Order] = &[
    Order {
        folder: "dsp/src",
        library: "tenon_dsp",
        // Neither files nor threads, neither framework nor screen.
        not: &[
            "std::fs",
            "std::io",
            "std::net",
            "std::process",
            "std::thread",
            "Mutex",
            "RwLock",
            "Condvar",
            "serde",
            "nice_plug",
            "egui",
        ],
        files: &[
            ("settings.rs", &[]),
            ("units.rs", &["crate::settings"]),
            ("registers.rs", &["crate::settings"]),
            ("frame.rs", &["crate::settings"]),
            ("ramp.rs", &["crate::settings"]),
            ("delay.rs", &["crate::settings"]),
            ("mid_side.rs", &["crate::settings"]),
            ("filter.rs", &["crate::settings"]),
            ("input.rs", &[]),
            ("key.rs", &[]),
            ("detector.rs", &[]),
            ("link.rs", &[]),
            ("curve.rs", &[]),
            ("lookahead.rs", &[]),
            ("ballistics/pairs.rs", &[]),
            ("ballistics.rs", &[]),
            ("reduction.rs", &[]),
            ("gain.rs", &[]),
            ("compressor.rs", &[]),
            ("saturation/shaper.rs", &[]),
            ("saturation/focus.rs", &[]),
            ("saturation/half_band.rs", &[]),
            ("saturation/oversampling.rs", &[]),
            ("saturation.rs", &[]),
            ("output.rs", NO_STAGES),
            ("loudness.rs", NO_STAGES),
            ("monitor.rs", NO_STAGES),
            ("recovery.rs", NO_STAGES),
            ("meter.rs", NO_STAGES),
            ("processor.rs", &[]),
            ("sides.rs", NO_STAGES),
            ("threshold.rs", &["Processor"]),
            ("togetherness/spectrum.rs", NO_STAGES),
            ("togetherness/bands.rs", NO_STAGES),
            ("togetherness/movement.rs", NO_STAGES),
            ("togetherness/statistics.rs", NO_STAGES),
            ("togetherness.rs", NO_STAGES),
            ("lib.rs", &[]),
        ],
    },
    Order {
        folder: "plugin/src",
        library: "tenon",
        not: &[],
        files: &[
            ("text.rs", NO_HOST),
            ("presets.rs", NO_HOST),
            ("files.rs", NO_HOST),
            ("library.rs", NO_HOST),
            ("library/faults.rs", NO_HOST),
            ("trial/chance.rs", NO_HOST),
            ("trial/plan.rs", NO_HOST),
            ("trial/record.rs", NO_HOST),
            ("trial/align.rs", NO_HOST),
            ("trial/seal.rs", NO_HOST),
            ("trial/set.rs", NO_HOST),
            ("trial/score.rs", NO_HOST),
            ("trial/mod.rs", NO_HOST),
            ("params.rs", NO_SCREEN),
            ("state.rs", NO_SCREEN),
            ("feed.rs", NO_HOST),
            ("listener.rs", NO_HOST),
            ("blind.rs", NO_HOST),
            ("pair.rs", NO_SCREEN_NO_LOCKS),
            ("audio.rs", NO_SCREEN_NO_LOCKS),
            ("format.rs", NO_HOST),
            ("host_menu.rs", NO_HOST),
            ("editor/figures.rs", NO_ENGINE),
            ("editor/bench.rs", NO_ENGINE),
            ("editor/clipboard.rs", NO_ENGINE),
            ("editor/address.rs", NO_ENGINE),
            ("editor/hand.rs", NO_ENGINE),
            ("editor/help.rs", NO_ENGINE),
            ("editor/layout.rs", NO_ENGINE),
            ("editor/pointer.rs", NO_ENGINE),
            ("editor/theme.rs", NO_ENGINE),
            ("editor/together.rs", NO_ENGINE),
            ("editor/trace.rs", NO_ENGINE),
            ("editor/trial.rs", NO_ENGINE),
            ("editor/demo.rs", NO_ENGINE),
            ("editor/finder.rs", NO_ENGINE),
            ("editor/shown.rs", NO_ENGINE),
            ("editor/widgets/bands.rs", NO_ENGINE),
            ("editor/widgets/focus.rs", NO_ENGINE),
            ("editor/widgets/button.rs", NO_ENGINE),
            ("editor/widgets/choice.rs", NO_ENGINE),
            ("editor/widgets/corner.rs", NO_ENGINE),
            ("editor/widgets/menu.rs", NO_ENGINE),
            ("editor/widgets/ruler.rs", NO_ENGINE),
            ("editor/widgets/share.rs", NO_ENGINE),
            ("editor/widgets/span.rs", NO_ENGINE),
            ("editor/widgets/strip.rs", NO_ENGINE),
            ("editor/widgets/mod.rs", NO_ENGINE),
            ("editor/panels/chart.rs", NO_ENGINE),
            ("editor/panels/find.rs", NO_ENGINE),
            ("editor/panels/folder.rs", NO_ENGINE),
            ("editor/panels/controls.rs", NO_ENGINE),
            ("editor/panels/foot.rs", NO_ENGINE),
            ("editor/panels/drop.rs", NO_ENGINE),
            ("editor/panels/preset_menu.rs", NO_ENGINE),
            ("editor/panels/main_menu.rs", NO_ENGINE),
            ("editor/panels/trial.rs", NO_ENGINE),
            ("editor/panels/heard.rs", NO_ENGINE),
            ("editor/panels/readings.rs", NO_ENGINE),
            ("editor/panels/mod.rs", NO_ENGINE),
            ("editor/window.rs", NO_ENGINE),
            ("editor/mod.rs", NO_ENGINE),
            ("clap.rs", &["tenon_dsp", "egui"]),
            ("vst3.rs", &["tenon_dsp", "egui"]),
            ("report.rs", NO_HOST),
            ("render.rs", NO_HOST),
            ("lib.rs", &[]),
            ("main.rs", NO_HOST),
            ("standalone.rs", NO_SCREEN),
        ],
    },
    Order {
        folder: "xtask/src",
        library: "xtask",
        // The demo hears what a user hears: the program, not the library.
        not: &["tenon", "tenon_dsp"],
        files: &[
            ("workspace.rs", &[]),
            ("tidy/paths.rs", &["std::fs"]),
            ("tidy/promises.rs", &["std::fs"]),
            ("tidy.rs", &[]),
            ("licences.rs", &[]),
            ("bundle.rs", &[]),
            ("install.rs", &[]),
            ("demo.rs", &[]),
            ("screenshot.rs", &[]),
            ("release.rs", &[]),
            ("fuzz.rs", &[]),
            ("soak.rs", &[]),
            ("test.rs", &[]),
            ("bench.rs", &[]),
            ("main.rs", &[]),
        ],
    },
    Order {
        folder: "tests/support",
        library: "tenon_tests",
        // Rulers the engine did not make.
        not: &["tenon", "tenon_dsp"],
        files: &[
            ("random.rs", &[]),
            ("stereo.rs", &[]),
            ("measure.rs", &[]),
            ("signals.rs", &[]),
            ("mixes.rs", &[]),
            ("song/maths.rs", &[]),
            ("song/room.rs", &[]),
            ("song/voices.rs", &[]),
            ("song.rs", &[]),
            ("screen.rs", &[]),
            ("window.rs", &[]),
            ("lib.rs", &[]),
        ],
    },
];

/// Something that is not as it should be.
#[derive(Debug, PartialEq)]
struct Problem {
    file: String,
    /// Line, from 1; 0 when the file as a whole is meant.
    line: usize,
    what: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            0 => write!(f, "{}: {}", self.file, self.what),
            line => write!(f, "{}:{line}: {}", self.file, self.what),
        }
    }
}

/// Checks the project.
///
/// # Errors
/// When something is not as it should be; all of it has been printed then.
pub(crate) fn run() -> Result<()> {
    let mut files = Vec::new();
    collect(workspace::root(), "", &mut files)?;
    let mut problems: Vec<Problem> = files.iter().flat_map(check_text).collect();
    for order in ORDERS {
        problems.append(&mut check_order(order, &files));
    }
    problems.extend(promises::check(&files).into_iter().map(|(line, what)| {
        let file = promises::PAGE.to_owned();
        Problem { file, line, what }
    }));
    for problem in &problems {
        println!("{problem}");
    }
    match problems.len() {
        0 => println!("{} files are in order", files.len()),
        1 => bail!("1 problem"),
        n => bail!("{n} problems"),
    }
    Ok(())
}

/// A text file: its path from the root of the workspace, with `/`, and what is in it.
type Text = (String, String);

/// Collects all text files of the project, in the order of their names.
fn collect(folder: &Path, inside: &str, files: &mut Vec<Text>) -> Result<()> {
    // Built, or kept by version control and Python, or inputs that are only bytes.
    const SKIPPED: [&str; 7] =
        ["target", ".git", "__pycache__", ".pytest_cache", "seeds", "corpus", "artifacts"];
    let unreadable = || format!("{} cannot be read", folder.display());
    let mut entries = fs::read_dir(folder)
        .and_then(|entries| entries.collect::<Result<Vec<_>, _>>())
        .with_context(unreadable)?;
    entries.sort_by_key(fs::DirEntry::file_name);
    for entry in entries {
        let name = entry.file_name().to_string_lossy().into_owned();
        let path = if inside.is_empty() { name.clone() } else { format!("{inside}/{name}") };
        let kind = entry.file_type().with_context(unreadable)?;
        if kind.is_dir() && !SKIPPED.contains(&name.as_str()) {
            collect(&entry.path(), &path, files)?;
        } else if kind.is_file() {
            let bytes = fs::read(entry.path()).with_context(|| format!("{path} cannot be read"))?;
            // What is not UTF-8 is a picture or sound.
            files.extend(String::from_utf8(bytes).ok().map(|text| (path, text)));
        }
    }
    Ok(())
}

/// Checks line ends, and that no folder of someone's own machine is named.
fn check_text((file, text): &Text) -> Vec<Problem> {
    // In pieces, so that this file passes its own check.
    const OWN_FOLDERS: [&str; 4] = [
        concat!("/ho", "me/"),
        concat!("/ro", "ot/"),
        concat!("/Us", "ers/"),
        concat!("\\Us", "ers\\"),
    ];
    let problem = |line, what: String| Problem { file: file.clone(), line, what };
    let mut problems = Vec::new();
    for (n, line) in text.lines().enumerate() {
        for own in OWN_FOLDERS {
            // Elsewhere in a path, as in `target/…/` or an address, such a name is harmless.
            let begins = |(at, _): &(usize, &str)| {
                let before = line[..*at].chars().next_back();
                !before.is_some_and(|c| c.is_alphanumeric() || "_-./~".contains(c))
            };
            if line.match_indices(own).any(|found| begins(&found)) {
                problems.push(problem(n + 1, format!("names {own}, a folder of one machine only")));
            }
        }
    }
    if !text.is_empty() && !text.ends_with('\n') {
        problems.push(problem(text.lines().count(), "does not end with a line end".to_owned()));
    }
    problems
}

/// The module that a file other than the root holds, as a path from `crate` on.
fn module(file: &str) -> Vec<String> {
    let path = file.strip_suffix(".rs").unwrap_or(file);
    let path = path.strip_suffix("/mod").unwrap_or(path);
    let names = path.split('/').map(str::to_owned);
    std::iter::once("crate".to_owned()).chain(names).collect()
}

/// The place of the file that is the root of the crate.
fn root(order: &Order) -> usize {
    let place = |file| order.files.iter().position(|row| row.0 == file);
    place("lib.rs").or(place("main.rs")).expect("a crate has a root")
}

/// Checks the imports of one crate against its order.
fn check_order(order: &Order, files: &[Text]) -> Vec<Problem> {
    let inside = format!("{}/", order.folder);
    let sources: Vec<(&str, &str)> = files
        .iter()
        .filter_map(|(file, text)| Some((file.strip_prefix(&inside)?, text.as_str())))
        .filter(|(file, _)| file.ends_with(".rs"))
        .collect();
    let place = |file: &str| order.files.iter().position(|row| row.0 == file);
    let root = root(order);
    let mut problems = Vec::new();
    let mut test_modules = Vec::new();
    for (here, (file, not)) in order.files.iter().enumerate() {
        let path = format!("{inside}{file}");
        let mut problem = |line, what| problems.push(Problem { file: path.clone(), line, what });
        let Some((_, text)) = sources.iter().find(|source| source.0 == *file) else {
            problem(0, "stands in the table of the order, but is not there".to_owned());
            continue;
        };
        let program = here > root;
        let own = if here == root { vec!["crate".to_owned()] } else { module(file) };
        let mut found = mentions(text, &own);
        test_modules.append(&mut found.test_modules);
        for (line, mut path) in found.paths {
            if program {
                // A program is a crate of its own and sees the library from outside.
                match path[0].as_str() {
                    "crate" => continue,
                    name if name == order.library => path[0] = "crate".to_owned(),
                    _ => {}
                }
            }
            let bans = not.iter().chain(order.not);
            for ban in bans.filter(|ban| begins(&path, ban)) {
                problem(line, format!("uses {}; it must not know {ban}", path.join("::")));
            }
            let Some(there) = home(order, &path) else { continue };
            if there > here {
                let (below, shown) = (order.files[there].0, path.join("::"));
                problem(line, format!("uses {shown} of {below}, which stands below it"));
            }
        }
        for (line, name) in found.names {
            // Types begin with a capital; paths are dealt with above.
            let bans = not.iter().chain(order.not);
            for ban in bans.filter(|ban| ban.starts_with(char::is_uppercase) && **ban == name) {
                problem(line, format!("mentions {ban}; it must not know it"));
            }
        }
    }
    for (file, _) in &sources {
        if place(file).is_none() && !test_modules.contains(&module(file)) {
            let what = "is missing in the table of the order, in xtask/src/tidy.rs".to_owned();
            problems.push(Problem { file: format!("{inside}{file}"), line: 0, what });
        }
    }
    problems
}

/// Whether a path begins with another, written with `::`.
fn begins(path: &[String], with: &str) -> bool {
    let mut path = path.iter();
    with.split("::").all(|name| path.next().is_some_and(|found| found == name))
}

/// The place of the file in which a path within the crate ends, or none for other crates.
fn home(order: &Order, path: &[String]) -> Option<usize> {
    if path[0] != "crate" {
        return None;
    }
    // The longest module that the path begins with; what is in none lies in the root.
    let places = order.files.iter().enumerate().filter(|(_, row)| path.starts_with(&module(row.0)));
    let longest = places.max_by_key(|(_, row)| module(row.0).len());
    Some(longest.map_or(root(order), |(place, _)| place))
}

#[cfg(test)]
mod tests {
    use super::*;

    const ORDER: Order = Order {
        folder: "lib/src",
        library: "lib",
        not: &["std::fs"],
        files: &[
            ("units.rs", &[]),
            ("filter.rs", &["crate::units", "egui", "Processor"]),
            ("meter/level.rs", &[]),
            ("meter/mod.rs", &[]),
            ("lib.rs", &[]),
            ("main.rs", &["crate::filter"]),
        ],
    };

    /// What is found wrong with one file, all others being empty.
    fn problems(file: &str, text: &str) -> Vec<String> {
        let rows = ORDER.files.iter().map(|row| row.0);
        let files: Vec<Text> = rows
            .map(|row| (format!("lib/src/{row}"), if row == file { text } else { "" }.to_owned()))
            .collect();
        check_order(&ORDER, &files).iter().map(ToString::to_string).collect()
    }

    #[test]
    fn downhill_is_fine() {
        assert!(
            problems("meter/level.rs", "use crate::{filter::F, units::*}; use super::level::X;")
                .is_empty()
        );
        assert!(
            problems("meter/mod.rs", "mod level; pub use level::Level; use std::io;").is_empty()
        );
        assert!(
            problems("lib.rs", "mod units; mod filter; pub use crate::meter::level::Level;")
                .is_empty()
        );
        assert!(
            problems(
                "main.rs",
                "use lib::meter::X; use crate::Arguments; fn main() { lib::run() }"
            )
            .is_empty()
        );
        let tested =
            "#[cfg(test)] mod tests { use crate::meter::Level; use std::fs; use egui::Ui; }";
        assert!(problems("filter.rs", tested).is_empty());
    }

    #[test]
    fn uphill_is_caught() {
        for (file, text, line, below) in [
            ("units.rs", "\nuse crate::filter::F;", 2, "filter.rs"),
            ("units.rs", "fn f() {\n\n crate::meter::level::L; }", 3, "meter/level.rs"),
            ("units.rs", "use crate::{a, meter::{b}};", 1, "lib.rs"),
            ("units.rs", "use crate::{meter::{self}};", 1, "meter/mod.rs"),
            ("units.rs", "use crate::*;", 1, "lib.rs"),
            ("meter/level.rs", "use super::Meter;", 1, "meter/mod.rs"),
            ("meter/level.rs", "use super::super::Thing;", 1, "lib.rs"),
            ("meter/mod.rs", "use crate::Settings;", 1, "lib.rs"),
        ] {
            let found = problems(file, text);
            let place = format!("lib/src/{file}:{line}: ");
            let ok =
                found.iter().any(|p| p.starts_with(&place) && p.contains(&format!("of {below},")));
            assert!(ok, "{file} {text:?}: {found:?}");
        }
    }

    #[test]
    fn what_must_not_be_known_is_caught() {
        for (file, text) in [
            ("filter.rs", "use crate::units::db;"),
            ("filter.rs", "use egui;"),
            ("filter.rs", "fn f(ui: &mut egui::Ui) {}"),
            ("filter.rs", "fn f(p: &Processor) {}"),
            ("units.rs", "use std::{f32::consts::PI, fs::File};"),
            ("main.rs", "use lib::filter::F;"),
        ] {
            let found = problems(file, text);
            assert!(found.len() == 1 && found[0].contains("must not know"), "{text:?}: {found:?}");
        }
        assert!(problems("filter.rs", "fn f(egui_like: Process) {}").is_empty());
    }

    #[test]
    fn the_table_and_the_folder_agree() {
        let mut files: Vec<Text> =
            ORDER.files.iter().map(|row| (format!("lib/src/{}", row.0), String::new())).collect();
        files.push(("lib/src/meter/stray.rs".to_owned(), String::new()));
        files.push(("elsewhere/src/other.rs".to_owned(), String::new()));
        let found = check_order(&ORDER, &files);
        assert_eq!(found.len(), 1);
        assert!(
            found[0].to_string().starts_with("lib/src/meter/stray.rs: is missing"),
            "{found:?}"
        );
        files[3].1 = "#[cfg(test)] mod stray;".to_owned();
        assert_eq!(check_order(&ORDER, &files), []);
        files.remove(0);
        let found = check_order(&ORDER, &files);
        assert_eq!(found.len(), 1);
        assert!(found[0].to_string().contains("is not there"), "{found:?}");
    }

    #[test]
    fn stray_folders_and_line_ends_are_caught() {
        let check = |text: &str| check_text(&("a.md".to_owned(), text.to_owned())).len();
        for own in ["ho!me/me", "ro!ot/.cache", "Us!ers/me"] {
            let own = own.replace('!', "");
            assert_eq!(check(&format!("see /{own}\n")), 1, "{own}");
            assert_eq!(check(&format!("\"/{own}\"\n")), 1, "{own}");
            assert_eq!(check(&format!("https://example.org/{own}\n")), 0, "{own}");
        }
        assert_eq!(check(&"C:\\Us!ers\\me\n".replace('!', "")), 1);
        assert_eq!(check("no line end"), 1);
        assert_eq!(check("two\nlines\n"), 0);
        assert_eq!(check(""), 0);
    }
}
