//! The host's own menu for a parameter (to automate it, to learn a controller), where format and
//! host offer one. The framework knows of none, so the exports of the formats hand over what they
//! know of the host while an instance is made. Knows nothing of parameters, engine or editor.

use std::cell::RefCell;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};
use std::thread::{self, ThreadId};

use tenon_dsp::Control;

/// What a format has to open menus with.
pub(crate) trait Format: Send + Sync {
    /// Whether the host has a menu, as far as is known. May be asked from any thread.
    fn offers(&self) -> bool;

    /// Finds out whether the host has a menu, now that there is a window. Only on the host's main
    /// thread, and while the instance lives.
    fn look(&self);

    /// Opens the menu of a parameter at a place in the window, in the pixels of the window system.
    /// False when the host does not. Only on the host's main thread, and while the instance lives.
    fn open(&self, parameter: u32, place: (i32, i32)) -> bool;
}

thread_local! {
    /// The format of the instance that is being made on this thread.
    static FORMAT: RefCell<Option<Arc<dyn Format>>> = const { RefCell::new(None) };
}

/// Makes an instance whose [`HostMenu::of_new_instance`] is that of `format`.
pub(crate) fn of_format<T>(format: Arc<dyn Format>, make: impl FnOnce() -> T) -> T {
    FORMAT.set(Some(format));
    let made = make();
    // Gone already when the instance took it.
    FORMAT.take();
    made
}

/// Something to do on the host's main thread.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MenuTask {
    /// Find out whether the host has a menu.
    Look,
    /// Open the menu of a parameter.
    Open {
        /// The parameter, as the host counts it.
        parameter: u32,
        /// Left and top within the window, in the pixels of the window system.
        place: (i32, i32),
    },
}

/// The menu of the host that an instance is in.
#[derive(Clone)]
pub(crate) struct HostMenu(Arc<Inner>);

struct Inner {
    format: Option<Arc<dyn Format>>,
    /// The thread that made the instance, which is the host's main thread by both standards.
    main_thread: ThreadId,
    /// Brings a task to the main thread.
    post: OnceLock<Box<dyn Fn(MenuTask) + Send + Sync>>,
    /// A menu was asked for and has not been dealt with.
    busy: AtomicBool,
    /// The host did not open what it was asked for last.
    refused: AtomicBool,
}

impl HostMenu {
    /// The menu of the host that an instance is being made for on this thread.
    pub(crate) fn of_new_instance() -> Self {
        Self(Arc::new(Inner {
            format: FORMAT.take(),
            main_thread: thread::current().id(),
            post: OnceLock::new(),
            busy: AtomicBool::new(false),
            refused: AtomicBool::new(false),
        }))
    }

    /// Says how a task comes to the host's main thread.
    pub(crate) fn post_by(&self, post: impl Fn(MenuTask) + Send + Sync + 'static) {
        // An instance has one editor, so nobody has said so before.
        let _ = self.0.post.set(Box::new(post));
    }

    /// Has the host asked whether it has a menu. To be called when there is a window.
    pub(crate) fn look(&self) {
        // While a menu is up, tasks wait, and the answer is known.
        if let (Some(_), Some(post), false) = (&self.0.format, self.0.post.get(), self.is_busy()) {
            post(MenuTask::Look);
        }
    }

    /// Whether there is a menu to open.
    pub(crate) fn is_offered(&self) -> bool {
        !self.is_busy() && self.0.format.as_ref().is_some_and(|format| format.offers())
    }

    /// Has the menu of a control opened at a place in the window, in the pixels of the window
    /// system.
    pub(crate) fn ask(&self, control: Control, place: (i32, i32)) {
        if self.0.post.get().is_none() || self.0.busy.swap(true, Ordering::AcqRel) {
            return;
        }
        let menu = self.clone();
        let task = MenuTask::Open { parameter: id(control), place };
        // From another thread even where windows live on the main one: there the menu would open
        // in the middle of a frame and hold it up until the user has chosen.
        let spawned = thread::Builder::new().spawn(move || {
            if let Some(post) = menu.0.post.get() {
                post(task);
            }
        });
        if spawned.is_err() {
            self.done(false);
        }
    }

    /// Does what was asked for. Only while the instance lives. False when the host did not open its
    /// menu.
    pub(crate) fn perform(&self, task: MenuTask) -> bool {
        // Where a host offers no way to its main thread, the framework comes on another.
        let here = thread::current().id() == self.0.main_thread;
        let format = self.0.format.as_ref().filter(|_| here);
        match task {
            MenuTask::Look => {
                if let Some(format) = format {
                    format.look();
                }
                true
            }
            MenuTask::Open { parameter, place } => {
                let opened = format.is_some_and(|format| format.open(parameter, place));
                self.done(opened);
                opened
            }
        }
    }

    /// Whether the host did not open what it was asked for. Tells once.
    pub(crate) fn take_refusal(&self) -> bool {
        self.0.refused.swap(false, Ordering::AcqRel)
    }

    fn is_busy(&self) -> bool {
        self.0.busy.load(Ordering::Acquire)
    }

    fn done(&self, opened: bool) {
        self.0.refused.store(!opened, Ordering::Release);
        self.0.busy.store(false, Ordering::Release);
    }
}

/// The number under which the framework shows a control to hosts, in both formats.
fn id(control: Control) -> u32 {
    let hash = |hash: u32, byte: u8| hash.wrapping_mul(31).wrapping_add(byte.into());
    // The highest bit belongs to the host (VST 3).
    control.spec().id.bytes().fold(0, hash) & (u32::MAX >> 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Mutex;
    use std::sync::mpsc::channel;

    #[derive(Default)]
    struct Willing(Mutex<Vec<(u32, (i32, i32))>>);

    impl Format for Willing {
        fn offers(&self) -> bool {
            true
        }
        fn look(&self) {}
        fn open(&self, parameter: u32, place: (i32, i32)) -> bool {
            self.0.lock().unwrap().push((parameter, place));
            true
        }
    }

    #[test]
    fn an_instance_outside_a_host_has_no_menu() {
        let menu = HostMenu::of_new_instance();
        assert!(!menu.is_offered());
        // And the next instance does not get what was left over.
        of_format(Arc::new(Willing::default()), || ());
        assert!(!HostMenu::of_new_instance().is_offered());
    }

    #[test]
    fn a_menu_opens_on_the_main_thread_alone_and_one_at_a_time() {
        let format = Arc::new(Willing::default());
        let menu = of_format(format.clone(), HostMenu::of_new_instance);
        assert!(menu.is_offered());
        let (post, tasks) = channel();
        menu.post_by(move |task| post.send(task).unwrap());
        menu.ask(Control::Mix, (3, 4));
        menu.ask(Control::Knee, (5, 6));
        assert!(!menu.is_offered(), "one is asked for");
        let task = tasks.recv().unwrap();
        assert_eq!(task, MenuTask::Open { parameter: id(Control::Mix), place: (3, 4) });
        assert!(tasks.try_recv().is_err());

        let elsewhere = menu.clone();
        assert!(!thread::spawn(move || elsewhere.perform(task)).join().unwrap());
        assert!(menu.take_refusal() && !menu.take_refusal());
        assert!(format.0.lock().unwrap().is_empty());

        assert!(menu.perform(task));
        assert!(!menu.take_refusal());
        assert_eq!(*format.0.lock().unwrap(), [(id(Control::Mix), (3, 4))]);
    }
}
