//! What the editor costs: the share of a core it takes, and how long it takes to open beside a bare
//! window of the same toolkit. Prints a table. Needs an X screen and the bundle, as the tests do.

#[cfg(target_os = "linux")]
fn main() -> tenon_tests::screen::Result<()> {
    linux::main()
}

#[cfg(not(target_os = "linux"))]
fn main() {
    println!("This measures on an X screen, so on Linux only.");
}

#[cfg(target_os = "linux")]
mod linux {
    use std::ffi::CStr;
    use std::path::{Path, PathBuf};
    use std::time::{Duration, Instant};

    use egui_baseview::{EguiWindow, EguiWindowSettings, Frame, GraphicsConfig};
    use raw_window_handle::{
        HandleError, HasWindowHandle, RawWindowHandle, WindowHandle, XlibWindowHandle,
    };
    use tenon_tests::screen::{Result, Screen, Windowed};
    use tenon_tests::window::{EditorHost, Play, processor_s};

    const ID: &CStr = c"audio.tenon.bus";
    /// Size of a fresh editor, in pixels.
    const SIZE: (u32, u32) = (1120, 700);
    const LARGE: (u32, u32) = (1600, 1000);
    /// How often everything is measured.
    const TIMES: usize = 5;
    /// How long a share is measured over.
    const SPAN: Duration = Duration::from_secs(4);

    pub(super) fn main() -> Result<()> {
        let made = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/bundled/Tenon.clap");
        let bundle = std::env::var_os("TENON_CLAP").map_or(made, PathBuf::from);
        let mut host = EditorHost::load(&bundle, ID, (0, 0))?;

        // Taken in turn, so that both meet the same machine. The first of each loads libraries.
        let (mut bare, mut editor) = (Vec::new(), Vec::new());
        for time in 0..=TIMES {
            let times = (open_bare()?, open_editor(&mut host)?);
            if time > 0 {
                bare.push(times.0 * 1e3);
                editor.push(times.1 * 1e3);
            }
        }
        let ratios = bare.iter().zip(&editor).map(|(bare, editor)| editor / bare).collect();
        row("bare window to first frame", bare, "ms");
        row("editor to first frame", editor, "ms");
        row("ratio", ratios, "");

        // To the far corner of the screen: the chart stands still while the pointer is on it.
        host.point(i16::MAX / 2, i16::MAX / 2)?;
        host.open()?;
        for (play, size, what) in [
            (Play::Beat, SIZE, "a moving chart"),
            (Play::Beat, LARGE, "a moving chart"),
            (Play::Silence, LARGE, "silence"),
            (Play::Silence, SIZE, "silence"),
            (Play::Nothing, SIZE, "no audio"),
        ] {
            host.play(play);
            host.resize(size.0, size.1)?;
            // Readings fall silent, or the chart fills.
            host.run(Duration::from_secs(9))?;
            let shares = (0..TIMES).map(|_| share()).collect();
            row(&format!("{what}, {} x {}", size.0, size.1), shares, "% of a core");
            if play == Play::Beat {
                let rates = (0..TIMES).map(|_| rate(host.screen())).collect::<Result<_>>()?;
                row("    drawn", rates, "times a second");
            }
        }
        Ok(())
    }

    /// Prints the median of what was measured, and the least and most of it.
    fn row(what: &str, mut measured: Vec<f64>, unit: &str) {
        measured.sort_by(f64::total_cmp);
        let (least, most) = (measured[0], measured[measured.len() - 1]);
        let median = measured[measured.len() / 2];
        println!("{what:<36} {median:>7.2} {unit} ({least:.2} to {most:.2})");
    }

    /// Share of a core that this process takes beside playing audio, in per cent.
    fn share() -> f64 {
        let (start, before) = (Instant::now(), processor_s());
        std::thread::sleep(SPAN);
        100.0 * (processor_s() - before) / start.elapsed().as_secs_f64()
    }

    /// How many times a second the chart looks different.
    fn rate(screen: &Screen) -> Result<f64> {
        // The newest end of the chart at either size.
        let part = || screen.part((560, 100), (100, 20));
        let (start, mut last, mut changes) = (Instant::now(), part()?, 0.0);
        while start.elapsed() < SPAN {
            std::thread::sleep(Duration::from_millis(4));
            let now = part()?;
            changes += f64::from(now != last);
            last = now;
        }
        Ok(changes / start.elapsed().as_secs_f64())
    }

    /// Seconds from opening the editor until it is seen.
    fn open_editor(host: &mut EditorHost) -> Result<f64> {
        host.play(Play::Nothing);
        let start = Instant::now();
        host.open()?;
        let time = until_drawn(host.screen(), start)?;
        host.close()?;
        Ok(time)
    }

    /// Seconds from opening a window that shows nothing but paper until it is seen.
    fn open_bare() -> Result<f64> {
        let mut screen = Screen::connect((0, 0))?;
        let start = Instant::now();
        let parent = Parent(screen.open(SIZE)?);
        let settings = EguiWindowSettings::new()
            .with_size(egui_baseview::baseview::dpi::PhysicalSize::new(SIZE.0, SIZE.1))
            .with_graphics_config(GraphicsConfig::default())
            .with_parent(&parent);
        let window = EguiWindow::create(settings, Bare).map_err(|error| error.to_string())?;
        window.show().map_err(|error| error.to_string())?;
        let time = until_drawn(&screen, start)?;
        drop(window);
        screen.close()?;
        Ok(time)
    }

    /// Seconds from `start` until there is paper in a corner of the window, where the host has grey
    /// and a window without a frame black.
    fn until_drawn(screen: &Screen, start: Instant) -> Result<f64> {
        const PAPER: u8 = 0xC0;
        while start.elapsed() < Duration::from_secs(20) {
            if screen.part((0, 0), (4, 4))?.rgb.iter().all(|channel| *channel >= PAPER) {
                return Ok(start.elapsed().as_secs_f64());
            }
            std::thread::sleep(Duration::from_millis(1));
        }
        Err("the window draws nothing".into())
    }

    struct Bare;

    impl egui_baseview::App for Bare {
        fn ui(&mut self, ui: &mut egui::Ui, frame: &mut Frame) {
            frame.set_clear_color(egui::Color32::WHITE.into());
            // Out of the corner, which is looked at.
            ui.add_space(20.0);
            ui.label("A bare window");
        }
    }

    /// A window that another lies in.
    struct Parent(u32);

    impl HasWindowHandle for Parent {
        #[allow(unsafe_code)]
        fn window_handle(&self) -> std::result::Result<WindowHandle<'_>, HandleError> {
            let raw = RawWindowHandle::Xlib(XlibWindowHandle::new(self.0.into()));
            // SAFETY: the window is closed after what lies in it.
            Ok(unsafe { WindowHandle::borrow_raw(raw) })
        }
    }
}
