//! The editor: a sheet of paper with what is heard at the top, what was done in the middle and
//! the controls in signal order below. Knows nothing of the engine; what it shows comes through
//! [`FeedOut`], what it changes goes through the host.

mod figures;
mod hand;
mod help;
mod layout;
mod panels;
mod shown;
mod theme;
mod widgets;

use std::error::Error;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use nice_plug::context::gui::GuiContext;
use nice_plug::editor::dpi::{LogicalSize, NativeSize};
use nice_plug::editor::{HostMethods, SpawnedEditor};
use nice_plug::prelude::*;
use nice_plug_egui::baseview::{HandlerError, WindowSize};
use nice_plug_egui::{
    EguiEditorHandle, EguiEditorState, EguiNiceSettings, Frame, NiceEguiApp, RepaintNotifier,
    create_egui_editor,
};

use crate::feed::FeedOut;
use crate::listener::{Listener, Listening};
use crate::state::{BusState, View};

use hand::Hand;
use help::Help;
use shown::Shown;

/// How often the editor looks for news from the audio thread. One atomic read; it draws only
/// when there are some.
const POLL: Duration = Duration::from_millis(33);

/// Opens editors, each with the size and zoom that are saved at that moment.
pub struct BusEditor {
    state: Arc<BusState>,
    feed: Arc<Mutex<FeedOut>>,
    listener: Listener,
    repaint: RepaintNotifier,
    /// The system's scale as the last window found it, as f32 bits.
    system_scale: Arc<AtomicU32>,
}

impl BusEditor {
    /// An editor of `state` that shows readings and togetherness from its sources. Drawing is asked
    /// for through `repaint`.
    pub(crate) fn new(
        state: Arc<BusState>,
        (feed, listener): (Arc<Mutex<FeedOut>>, Listener),
        repaint: RepaintNotifier,
    ) -> Self {
        Self {
            state,
            feed,
            listener,
            repaint,
            system_scale: Arc::new(AtomicU32::new(1.0_f32.to_bits())),
        }
    }
}

impl Editor for BusEditor {
    type Handle = EguiEditorHandle;

    fn spawn(
        &self,
        parent: Option<ParentWindowHandle>,
        wait_for_parent: bool,
        fallback_scale_factor: Option<f64>,
        gui_context: GuiContext,
        host: Option<HostMethods>,
    ) -> Result<SpawnedEditor<EguiEditorHandle>, Box<dyn Error>> {
        let view = self.state.view.get();
        let size = LogicalSize::new(f32::from(view.width), f32::from(view.height));
        let sheet = Sheet {
            state: self.state.clone(),
            feed: self.feed.clone(),
            listener: self.listener.clone(),
            listening: None,
            system_scale: self.system_scale.clone(),
            zoom: zoom(view),
            host: None,
            hand: None,
            shown: Shown::default(),
        };
        create_egui_editor(
            EguiEditorState::from_size(size, zoom(view)),
            self.repaint.clone(),
            EguiNiceSettings::new()
                .with_tile("Tenon")
                .with_resize_hint(self.resize_hint())
                .with_repaint_poll_interval(POLL),
            sheet,
        )
        .ok_or("no editor could be made")?
        .spawn(parent, wait_for_parent, fallback_scale_factor, gui_context, host)
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

fn zoom(view: View) -> f32 {
    f32::from(view.zoom_percent) / 100.0
}

/// One open editor.
struct Sheet {
    state: Arc<BusState>,
    feed: Arc<Mutex<FeedOut>>,
    listener: Listener,
    /// Togetherness is measured while the editor is open.
    listening: Option<Listening>,
    system_scale: Arc<AtomicU32>,
    zoom: f32,
    host: Option<GuiContext>,
    /// The control whose gesture is under way.
    hand: Option<tenon_dsp::Control>,
    shown: Shown,
}

impl NiceEguiApp for Sheet {
    fn build(
        &mut self,
        egui: egui::Context,
        host: GuiContext,
        frame: &mut Frame,
    ) -> Result<(), HandlerError> {
        theme::apply(&egui);
        frame.set_clear_color(theme::PAPER.into());
        self.host = Some(host);
        self.listening = self.listener.listen();
        Ok(())
    }

    fn ui(&mut self, ui: &mut egui::Ui, _frame: &mut Frame) {
        let Some(host) = &self.host else { return };
        let mut feed = self.feed.lock().unwrap_or_else(PoisonError::into_inner);
        self.shown.update(ui.ctx(), &mut feed, &self.listener);

        let mut hand = Hand::new(&self.state.params, host.param_setter(), &mut self.hand);
        let mut help = Help::default();
        let window = ui.max_rect();
        let min = egui::vec2(View::MIN_SIZE.0.into(), View::MIN_SIZE.1.into());
        if window.width() < min.x || window.height() < min.y {
            // A host may make the window smaller than it was told.
            egui::ScrollArea::both().show(ui, |ui| {
                let (sheet, _) =
                    ui.allocate_exact_size(window.size().max(min), egui::Sense::hover());
                panels::sheet(ui, sheet, &mut hand, &self.shown, &feed, &mut help);
            });
        } else {
            panels::sheet(ui, window, &mut hand, &self.shown, &feed, &mut help);
        }
    }

    fn resized(&mut self, size: WindowSize) {
        // Points are those after zoom here, and the scale includes it.
        self.system_scale
            .store((size.scale_factor as f32 / self.zoom).to_bits(), Ordering::Relaxed);
        self.state.view.put(View {
            width: size.logical.width.round() as u16,
            height: size.logical.height.round() as u16,
            zoom_percent: (self.zoom * 100.0).round() as u16,
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
        // A window that closes in mid-drag lets go of the control.
        if let Some(host) = &self.host {
            Hand::new(&self.state.params, host.param_setter(), &mut self.hand).let_go();
        }
    }
}
