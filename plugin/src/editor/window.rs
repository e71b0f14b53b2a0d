//! The window of an editor, which is gone when it has been closed.
//!
//! Where windows live on a thread of their own (X11), the window library asks that thread for a last
//! answer when it closes, and when the thread has stopped by then it does not wait for it to end. The
//! thread would still take the graphics library down while the host unloads or exits, and crash it.
//! So the end of the thread is waited for here.

use std::cell::RefCell;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::{self, ThreadId};

use nice_plug::editor::dpi::NativeSize;
use nice_plug::editor::{
    EditorHandle, Modifiers, ParentWindowHandle, SpawnedEditor, VirtualKeyCode,
};
use nice_plug_egui::EguiEditorHandle;

thread_local! {
    /// Dropped when the thread ends, after everything the thread has made.
    static ALIVE: RefCell<Option<Sender<()>>> = const { RefCell::new(None) };
}

/// What a window's thread says that it is alive with.
pub(crate) struct Alive {
    spawner: ThreadId,
    /// Nothing is sent; the other end learns when it is gone.
    sender: Sender<()>,
}

/// Both ends for a new window that is spawned on this thread.
pub(crate) fn alive() -> (Alive, Receiver<()>) {
    let (sender, end) = channel();
    (Alive { spawner: thread::current().id(), sender }, end)
}

impl Alive {
    /// To be called on the window's thread. The host's own thread is not waited for.
    pub(crate) fn until_this_thread_ends(self) {
        if thread::current().id() != self.spawner {
            ALIVE.set(Some(self.sender));
        }
    }
}

type Window = <EguiEditorHandle as EditorHandle>::Window;

/// The toolkit's window, and the end of its thread.
pub struct EndingWindow {
    /// Closed before the end is waited for.
    window: Option<Window>,
    end: Receiver<()>,
}

impl EndingWindow {
    fn window(&self) -> &Window {
        self.window.as_ref().expect("a window is there until it is dropped")
    }
}

impl Drop for EndingWindow {
    fn drop(&mut self) {
        drop(self.window.take());
        // The error is what is waited for.
        let _ = self.end.recv();
    }
}

/// The toolkit's handle, with windows that are gone when they have been dropped.
pub struct BusEditorHandle(EguiEditorHandle);

/// An editor of the toolkit's whose window's thread has an end.
pub(crate) fn ending(
    editor: SpawnedEditor<EguiEditorHandle>,
    end: Receiver<()>,
) -> SpawnedEditor<BusEditorHandle> {
    let window = EndingWindow { window: Some(editor.window), end };
    SpawnedEditor { handle: BusEditorHandle(editor.handle), window }
}

impl EditorHandle for BusEditorHandle {
    type Window = EndingWindow;
    type Error = <EguiEditorHandle as EditorHandle>::Error;

    fn run_until_closed(mut window: EndingWindow) -> Result<(), Self::Error> {
        let inner = window.window.take().expect("a window is there until it is dropped");
        EguiEditorHandle::run_until_closed(inner)
    }

    fn set_parent(
        &self,
        parent: ParentWindowHandle,
        window: &EndingWindow,
    ) -> Result<(), Self::Error> {
        self.0.set_parent(parent, window.window())
    }

    fn show(&self, window: &EndingWindow) -> Result<(), Self::Error> {
        self.0.show(window.window())
    }

    fn hide(&self, window: &EndingWindow) -> Result<(), Self::Error> {
        self.0.hide(window.window())
    }

    fn host_main_thread_callback(&self, window: &EndingWindow) {
        self.0.host_main_thread_callback(window.window());
    }

    fn set_size(&self, size: NativeSize<u32>, window: &EndingWindow) -> Result<(), Self::Error> {
        self.0.set_size(size, window.window())
    }

    fn adjust_size(&self, size: NativeSize<u32>, window: &EndingWindow) -> Option<NativeSize<u32>> {
        self.0.adjust_size(size, window.window())
    }

    fn set_fallback_scale_factor(
        &self,
        scale: f64,
        window: &EndingWindow,
    ) -> Result<(), Self::Error> {
        self.0.set_fallback_scale_factor(scale, window.window())
    }

    fn on_virtual_key_from_host(
        &self,
        key: VirtualKeyCode,
        is_down: bool,
        modifiers: Modifiers,
    ) -> bool {
        self.0.on_virtual_key_from_host(key, is_down, modifiers)
    }

    fn state_changed(&self) {
        self.0.state_changed();
    }

    fn param_value_changed(&self, id: &str, normalized: f32) {
        self.0.param_value_changed(id, normalized);
    }

    fn param_modulation_changed(&self, id: &str, offset: f32) {
        self.0.param_modulation_changed(id, offset);
    }
}
