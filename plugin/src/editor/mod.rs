//! The editor: a sheet of paper with what is heard at the top, what was done in the middle and
//! the controls in signal order below. Knows nothing of the engine; what it shows comes through
//! [`FeedOut`], what it changes goes through the host.

mod figures;
mod bench;
mod clipboard;
mod address;
mod hand;
mod help;
mod layout;
mod pointer;
mod theme;
mod together;
mod trace;
mod trial;
mod demo;
mod finder;
mod shown;
mod widgets;
mod panels;
mod window;

use std::error::Error;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use nice_plug::context::gui::GuiContext;
use nice_plug::editor::dpi::{LogicalSize, NativeSize};
use nice_plug::editor::{HostMethods, SpawnedEditor};
use nice_plug::prelude::*;
use nice_plug_egui::baseview::gl::GlConfig;
use nice_plug_egui::baseview::{HandlerError, WindowSize};
use nice_plug_egui::{
    EguiEditorState, EguiNiceSettings, Frame, GraphicsConfig, NiceEguiApp, RepaintNotifier,
    create_egui_editor,
};

use crate::blind::Blind;
use crate::feed::FeedOut;
use crate::host_menu::HostMenu;
use crate::library::Library;
use crate::listener::{Listener, Listening};
use crate::state::{BusState, View};
use crate::trial::record::users_folder;

use bench::Bench;
use finder::Finder;
use hand::Hand;
use help::Help;
use pointer::OneAtATime;
use shown::Shown;
use together::listened;
use trial::{Conductor, Unkept};
use window::{Alive, BusEditorHandle};

/// How often the editor looks for news from the audio thread. One atomic read; it draws only
/// when there are some, and at most as often as the window library offers a frame.
const POLL: Duration = Duration::from_millis(16);

/// Opens editors, each with the size and zoom that are saved at that moment.
pub struct BusEditor {
    state: Arc<BusState>,
    feed: Arc<Mutex<FeedOut>>,
    listener: Listener,
    blind: Arc<Mutex<Blind>>,
    host_menu: HostMenu,
    repaint: RepaintNotifier,
    /// Outlives the window, so that undo does.
    bench: Arc<Mutex<Bench>>,
    /// So do records of trials that could not be written.
    unkept: Unkept,
    /// The system's scale as the last window found it, as f32 bits.
    system_scale: Arc<AtomicU32>,
}

impl BusEditor {
    /// An editor of `state` that shows readings and togetherness from its sources, conducts blind trials
    /// through `blind`, and opens the host's menu. Drawing is asked for through `repaint`.
    pub(crate) fn new(
        state: Arc<BusState>,
        (feed, listener): (Arc<Mutex<FeedOut>>, Listener),
        blind: Arc<Mutex<Blind>>,
        host_menu: HostMenu,
        repaint: RepaintNotifier,
    ) -> Self {
        let bench = Arc::new(Mutex::new(Bench::new(Library::of_user())));
        let system_scale = Arc::new(AtomicU32::new(1.0_f32.to_bits()));
        let unkept = Unkept::default();
        Self { state, feed, listener, blind, host_menu, repaint, bench, unkept, system_scale }
    }
}

impl Editor for BusEditor {
    type Handle = BusEditorHandle;

    fn spawn(
        &self,
        parent: Option<ParentWindowHandle>,
        wait_for_parent: bool,
        fallback_scale_factor: Option<f64>,
        gui_context: GuiContext,
        host: Option<HostMethods>,
    ) -> Result<SpawnedEditor<BusEditorHandle>, Box<dyn Error>> {
        let view = self.state.view.get();
        let size = LogicalSize::new(f32::from(view.width), f32::from(view.height));
        let (alive, end) = window::alive();
        let sheet = Sheet {
            alive: Some(alive),
            state: self.state.clone(),
            feed: self.feed.clone(),
            system_scale: self.system_scale.clone(),
            listener: self.listener.clone(),
            listening: None,
            finder: Finder::new(self.listener.clone()),
            host_menu: self.host_menu.clone(),
            bench: self.bench.clone(),
            blind: self.blind.clone(),
            trial: Conductor::new(users_folder().ok(), self.unkept.clone()),
            zoom: zoom(view),
            host: None,
            picture: demo::dark_picture(),
            shown: Shown::default(),
        };
        let editor = create_egui_editor(
            EguiEditorState::from_size(size, zoom(view)),
            self.repaint.clone(),
            EguiNiceSettings::new()
                .with_tile("Tenon")
                .with_graphics_config(graphics())
                .with_resize_hint(self.resize_hint())
                .with_repaint_poll_interval(POLL),
            sheet,
        )
        .ok_or("no editor could be made")?
        .spawn(parent, wait_for_parent, fallback_scale_factor, gui_context, host)?;
        Ok(window::ending(editor, end))
    }

    fn size(&self) -> NativeSize<u32> {
        let view = self.state.view.get();
        let zoom = f64::from(zoom(view));
        let size = LogicalSize::new(f64::from(view.width) * zoom, f64::from(view.height) * zoom);
        let scale = f32::from_bits(self.system_scale.load(Ordering::Relaxed));
        NativeSize::from_size(size.into(), scale.into())
    }

    fn resize_hint(&self) -> ResizeHint {
        let zoom = zoom(self.state.view.get());
        let size = |(width, height): (u16, u16)| {
            LogicalSize::new(f32::from(width) * zoom, f32::from(height) * zoom)
        };
        ResizeHint::RESIZABLE
            .with_min_max_logical_size(Some(size(View::MIN_SIZE)), Some(size(View::MAX_SIZE)))
    }
}

/// As little as a flat sheet needs: no gradients that could band, nothing behind anything.
fn graphics() -> GraphicsConfig {
    let gl_config = GlConfig { depth_bits: 0, stencil_bits: 0, ..GlConfig::default() };
    GraphicsConfig { gl_config, dithering: false, ..GraphicsConfig::default() }
}

fn zoom(view: View) -> f32 {
    f32::from(view.zoom_percent) / 100.0
}

/// One open editor.
struct Sheet {
    /// Given away when the window is there.
    alive: Option<Alive>,
    state: Arc<BusState>,
    feed: Arc<Mutex<FeedOut>>,
    listener: Listener,
    /// Togetherness is measured while the editor is open.
    listening: Option<Listening>,
    finder: Finder,
    host_menu: HostMenu,
    bench: Arc<Mutex<Bench>>,
    blind: Arc<Mutex<Blind>>,
    /// A trial ends when the window closes.
    trial: Conductor,
    system_scale: Arc<AtomicU32>,
    zoom: f32,
    host: Option<GuiContext>,
    /// A picture is taken, of the dark sheet or not.
    picture: Option<bool>,
    shown: Shown,
}

impl NiceEguiApp for Sheet {
    fn build(
        &mut self,
        egui: egui::Context,
        host: GuiContext,
        _frame: &mut Frame,
    ) -> Result<(), HandlerError> {
        if let Some(alive) = self.alive.take() {
            alive.until_this_thread_ends();
        }
        let dark = self.picture.unwrap_or(self.state.view.get().dark);
        theme::apply(&egui);
        egui.add_plugin(OneAtATime::default());
        theme::lay(&egui, dark);
        self.host = Some(host);
        self.host_menu.look();
        self.listening = self.listener.listen();
        if self.picture.is_some() {
            self.shown = Shown::picture();
        }
        if demo::is_trial_picture() {
            self.trial = Conductor::picture();
        }
        let mut bench = self.bench.lock().unwrap_or_else(PoisonError::into_inner);
        bench.library.read();
        // What waited since the last window closed is of no use any more.
        let mut feed = self.feed.lock().unwrap_or_else(PoisonError::into_inner);
        while feed.next_point().is_some() {}
        Ok(())
    }

    fn ui(&mut self, ui: &mut egui::Ui, frame: &mut Frame) {
        let Some(host) = &self.host else { return };
        // The sheet itself: clearing costs less than painting over all of it.
        frame.set_clear_color(theme::of(ui).paper.into());
        let mut feed = self.feed.lock().unwrap_or_else(PoisonError::into_inner);
        let mut bench = self.bench.lock().unwrap_or_else(PoisonError::into_inner);
        let mut blind = self.blind.lock().unwrap_or_else(PoisonError::into_inner);
        let listener = &self.listener;
        self.shown.update(ui.ctx(), &mut feed, || listened(listener));

        let now = ui.input(|input| input.time);
        let mut hand = Hand::new(&self.state, host.param_setter(), &mut bench, now)
            .with_host_menu(&self.host_menu);
        if self.host_menu.take_refusal() {
            Help::answer(ui, "The host did not open its menu.".to_owned());
        }
        if hand.settle() {
            ui.ctx().request_repaint();
        }
        let window = ui.max_rect();
        let min = egui::vec2(View::MIN_SIZE.0.into(), View::MIN_SIZE.1.into());
        let mut draw = |ui: &mut egui::Ui, rect| {
            let (hand, shown, finder) = (&mut hand, &self.shown, &mut self.finder);
            let (state, groups) = (&*self.state, panels::GROUPS);
            let (trial, blind) = (&mut self.trial, &mut *blind);
            let sheet =
                panels::Sheet { hand, shown, feed: &feed, finder, state, trial, blind, groups };
            panels::sheet(ui, rect, sheet)
        };
        let held = if window.width() < min.x || window.height() < min.y {
            // A host may make the window smaller than it was told.
            let area = egui::ScrollArea::both().show(ui, |ui| {
                let (rect, _) =
                    ui.allocate_exact_size(window.size().max(min), egui::Sense::hover());
                draw(ui, rect)
            });
            area.inner
        } else {
            draw(ui, window)
        };
        self.shown.hold(held);
    }

    fn resized(&mut self, size: WindowSize) {
        // Points are those after zoom here, and the scale includes it.
        self.system_scale
            .store((size.scale_factor as f32 / self.zoom).to_bits(), Ordering::Relaxed);
        self.state.view.put(View {
            width: size.logical.width.round() as u16,
            height: size.logical.height.round() as u16,
            zoom_percent: (self.zoom * 100.0).round() as u16,
            ..self.state.view.get()
        });
    }

    fn zoom_factor_changed(&mut self, zoom: f32) {
        self.zoom = zoom;
        self.state
            .view
            .put(View { zoom_percent: (zoom * 100.0).round() as u16, ..self.state.view.get() });
    }
}

impl Drop for Sheet {
    fn drop(&mut self) {
        // What is heard is chosen in the window only.
        self.trial.stop(None, &mut self.blind.lock().unwrap_or_else(PoisonError::into_inner));
        // A window that closes in mid-drag lets go of the control.
        if let Some(host) = &self.host {
            let mut bench = self.bench.lock().unwrap_or_else(PoisonError::into_inner);
            Hand::new(&self.state, host.param_setter(), &mut bench, 0.0).let_go();
        }
    }
}
