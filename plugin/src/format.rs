//! What an instance needs of the format and the host it is made for, and what the framework does not
//! know or tells late. The exports of the formats hand it over while they make an instance. Knows
//! nothing of parameters, engine or editor.

use std::cell::RefCell;
use std::sync::Arc;

/// A format, in the host of one instance.
pub(crate) trait Format: Send + Sync {
    /// Whether the host renders offline just now; none where it cannot be asked. Neither waits nor
    /// allocates, and may be asked from any thread.
    fn is_offline(&self) -> Option<bool> {
        None
    }

    /// Whether the host has a menu for its parameters, as far as is known. May be asked from any
    /// thread.
    fn has_menu(&self) -> bool;

    /// Finds out whether the host has a menu, now that there is a window. Only on the host's main
    /// thread, and while the instance lives.
    fn look_for_menu(&self);

    /// Opens the menu of a parameter at a place in the window, in the pixels of the window system.
    /// False when the host does not. Only on the host's main thread, and while the instance lives.
    fn open_menu(&self, parameter: u32, place: (i32, i32)) -> bool;
}

thread_local! {
    /// The format of the instance that is being made on this thread.
    static MAKING: RefCell<Option<Arc<dyn Format>>> = const { RefCell::new(None) };
}

/// Makes an instance whose [`of_new_instance`] is `format`.
pub(crate) fn with<T>(format: Arc<dyn Format>, make: impl FnOnce() -> T) -> T {
    MAKING.set(Some(format));
    let made = make();
    // Gone already when the instance took it.
    MAKING.take();
    made
}

/// The format that an instance is being made for on this thread; none outside hosts.
pub(crate) fn of_new_instance() -> Option<Arc<dyn Format>> {
    MAKING.take()
}
