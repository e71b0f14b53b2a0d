//! `cargo xtask screenshot`: pictures of the editor for the documents.

use std::fs;
use std::io::BufWriter;
use std::path::Path;
use std::process::Command;

use anyhow::{Context, Result};
use tenon_tests::screen::Picture;
use tenon_tests::window::EditorHost;

use crate::bundle;
use crate::workspace;

/// Shows the demo state in the editor: on the light sheet or the dark one, or a blind trial.
const VARIABLE: &str = "TENON_PICTURE";
/// The picture that shows a blind trial.
const TRIAL: &str = "trial";
/// Says that this process has its screen.
const UNDER_XVFB: &str = "TENON_XVFB";
/// Large enough for 200 %.
const SCREEN: &str = "-screen 0 2560x1600x24";

/// Opens the editor of the real bundle in a window and writes pictures of it to `plugin/docs`.
///
/// # Errors
/// When the plug-in does not build, or there is no X screen to be had.
pub(crate) fn run() -> Result<()> {
    if std::env::var_os(UNDER_XVFB).is_none() {
        return on_a_screen_of_its_own();
    }
    let bundles = bundle::run()?;
    let folder = workspace::root().join("plugin/docs");
    fs::create_dir_all(&folder).with_context(|| format!("{} cannot be made", folder.display()))?;
    let sheet = std::env::var(VARIABLE).context("no sheet is named")?;
    let sizes: &[(u32, &str)] =
        if sheet == TRIAL { &[(100, "")] } else { &[(100, ""), (200, "-200")] };
    for &(percent, end) in sizes {
        let posed = EditorHost::load(&bundles.clap, c"audio.tenon.bus", (0, 0))
            .and_then(|mut host| host.pose(percent));
        let picture = posed.map_err(anyhow::Error::from_boxed)?;
        let file = folder.join(format!("editor-{sheet}{end}.png"));
        write(&file, &picture)?;
        println!("Wrote {}", file.display());
    }
    Ok(())
}

/// Runs this task again for each sheet, on a screen that nobody sees: what a window looks like on
/// the user's own depends on the system.
fn on_a_screen_of_its_own() -> Result<()> {
    let task = std::env::current_exe().context("this program has no place")?;
    for sheet in ["light", "dark", TRIAL] {
        let mut xvfb = Command::new("xvfb-run");
        xvfb.args(["--auto-servernum", &format!("--server-args={SCREEN}")]).arg(&task);
        xvfb.arg("screenshot").env(UNDER_XVFB, "1").env(VARIABLE, sheet);
        // As everywhere, whatever graphics there are.
        xvfb.env("LIBGL_ALWAYS_SOFTWARE", "1");
        workspace::run(&mut xvfb).context("install xvfb and xauth if they are missing")?;
    }
    Ok(())
}

fn write(file: &Path, picture: &Picture) -> Result<()> {
    let beside = file.with_extension("part");
    let failed = || format!("{} cannot be written", beside.display());
    let output = BufWriter::new(fs::File::create(&beside).with_context(failed)?);
    let mut encoder = png::Encoder::new(output, picture.width, picture.height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::High);
    // Flat as the sheet is, it packs best as it is.
    encoder.set_filter(png::Filter::NoFilter);
    let mut writer = encoder.write_header().with_context(failed)?;
    writer.write_image_data(&picture.rgb).with_context(failed)?;
    writer.finish().with_context(failed)?;
    fs::rename(&beside, file).with_context(|| format!("{} cannot be written", file.display()))
}
