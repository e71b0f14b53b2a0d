//! A VST3 host with a window, of `vst3-host`: opens the editor of the bundle in it and follows the
//! sizes both ask for.

use std::time::Duration;

use tenon_tests::screen::{Result, Screen, Windowed};
use tenon_tests::signals::pink_noise;
use vst3_host::audio::BusAudioBuffers;
use vst3_host::{HostNotification, Plugin, Vst3Host, WindowHandle};

const RATE_HZ: f64 = 48_000.0;
const BLOCK: usize = 512;

/// An instance of the plug-in, with its editor open or closed.
pub(crate) struct Vst3Window {
    pub(crate) plugin: Plugin,
    screen: Screen,
    noise: Vec<f32>,
    buffers: BusAudioBuffers,
    /// The sizes the plug-in has asked its frame for.
    pub(crate) asked: Vec<(u32, u32)>,
}

impl Vst3Window {
    /// Loads the bundle and starts it, with its editor closed.
    pub(crate) fn load(bundle: &std::path::Path) -> Result<Self> {
        let screen = Screen::connect((0, 0))?;
        let host = Vst3Host::builder().sample_rate(RATE_HZ).block_size(BLOCK).build();
        let mut plugin = host?.load_plugin(bundle)?;
        plugin.start_processing()?;
        let buffers = plugin.create_bus_audio_buffers(BLOCK)?;
        let noise = pink_noise(RATE_HZ, 1, -18.0, 1.0);
        Ok(Self { plugin, screen, noise, buffers, asked: Vec::new() })
    }

    /// Opens the editor in a window of the size it says it has, and waits until it is drawn.
    pub(crate) fn open(&mut self) -> Result<()> {
        /// Lighter than the host's own ground, which is grey, or none.
        const PAPER: u8 = 0xC0;
        self.open_for(Duration::ZERO)?;
        for _ in 0..100 {
            self.run(Duration::from_millis(100))?;
            if self.screen.part((0, 0), (4, 4))?.rgb.iter().all(|channel| *channel >= PAPER) {
                return self.run(Duration::from_millis(600));
            }
        }
        Err("the editor draws nothing".into())
    }

    /// Opens the editor and goes on for a while.
    pub(crate) fn open_for(&mut self, time: Duration) -> Result<()> {
        let (width, height) = self.plugin.get_editor_size()?;
        let window = self.screen.open((width as u32, height as u32))?;
        self.plugin.open_editor(WindowHandle::from_x11(window))?;
        self.run(time)
    }

    /// Closes the editor, if it is open.
    pub(crate) fn close(&mut self) -> Result<()> {
        if self.screen.is_open() {
            self.plugin.close_editor()?;
            self.screen.close()?;
        }
        Ok(())
    }

    /// Makes the window a size, as a host does whose user pulls at the frame: first the view says
    /// what suits it, then the frame follows. Gives the size they agreed on.
    pub(crate) fn resize(&mut self, width: u32, height: u32) -> Result<(u32, u32)> {
        let agreed = self.plugin.resize_editor(width as i32, height as i32)?;
        let agreed = (agreed.0 as u32, agreed.1 as u32);
        self.screen.resize(agreed)?;
        Ok(agreed)
    }

    /// Tells the view another scale, and makes the frame as large as the view says it is then.
    pub(crate) fn scale(&mut self, factor: f32) -> Result<bool> {
        let taken = self.plugin.set_editor_scale_factor(factor)?;
        self.run(Duration::from_millis(200))?;
        let size = self.plugin.attached_editor_size()?.ok_or("the editor is closed")?;
        self.screen.resize((size.0 as u32, size.1 as u32))?;
        Ok(taken)
    }

    /// What the plug-in has asked its host for since this was last asked.
    pub(crate) fn notifications(&mut self) -> Vec<HostNotification> {
        self.plugin.take_host_notifications()
    }
}

impl Windowed for Vst3Window {
    fn screen(&self) -> &Screen {
        &self.screen
    }

    fn run(&mut self, time: Duration) -> Result<()> {
        let block = Duration::from_secs_f64(BLOCK as f64 / RATE_HZ);
        for _ in 0..time.as_nanos().div_ceil(block.as_nanos()) {
            for channel in self.buffers.inputs.iter_mut().flat_map(|bus| &mut bus.channels) {
                channel.copy_from_slice(&self.noise[..BLOCK]);
            }
            self.noise.rotate_left(BLOCK);
            self.plugin.process_bus_audio(&mut self.buffers)?;
            self.plugin.service_run_loop();
            if let Some((width, height)) = self.plugin.take_editor_resize_request() {
                let size = (width as u32, height as u32);
                self.asked.push(size);
                self.screen.resize(size)?;
            }
            std::thread::sleep(block);
        }
        Ok(())
    }
}

impl Drop for Vst3Window {
    fn drop(&mut self) {
        // A screen that is gone has closed the window by itself.
        let _ = self.close();
    }
}
