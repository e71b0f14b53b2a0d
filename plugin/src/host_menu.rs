//! The host's own menu for a parameter (to automate it, to learn a controller), where format and
//! host offer one. Knows nothing of parameters, engine or editor.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};
use std::thread::{self, ThreadId};

use tenon_dsp::Control;

use crate::format::Format;

/// Something to do on the host's main thread.
pub enum MenuTask {
    /// Find out whether the host has a menu.
    Look,
    /// Open the menu of a parameter.
    Open {
        /// The parameter, as the host counts it.
        parameter: u32,
        /// Left and top within the window, in the pixels of the window system.
        place: (i32, i32),
        /// Whom to tell how it went.
        asked: Asked,
    },
}

/// A menu that was asked for, until that has been dealt with. Whoever drops it before, as the framework
/// does when its queue is full or goes, refuses it.
pub struct Asked {
    menu: Arc<Inner>,
    opened: bool,
}

impl Drop for Asked {
    fn drop(&mut self) {
        self.menu.refused.store(!self.opened, Ordering::Release);
        self.menu.busy.store(false, Ordering::Release);
    }
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
    /// The menu of the host of a new instance, on the thread that makes it.
    pub(crate) fn new(format: Option<Arc<dyn Format>>) -> Self {
        Self(Arc::new(Inner {
            format,
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
        !self.is_busy() && self.0.format.as_ref().is_some_and(|format| format.has_menu())
    }

    /// Has the menu of a control opened at a place in the window, in the pixels of the window
    /// system.
    pub(crate) fn ask(&self, control: Control, place: (i32, i32)) {
        if self.0.post.get().is_none() || self.0.busy.swap(true, Ordering::AcqRel) {
            return;
        }
        let menu = self.clone();
        let asked = Asked { menu: self.0.clone(), opened: false };
        let task = MenuTask::Open { parameter: id(control), place, asked };
        // From another thread even where windows live on the main one: there the menu would open
        // in the middle of a frame and hold it up until the user has chosen. Where there is no thread
        // to be had, the task goes with what was to run on it.
        let _ = thread::Builder::new().spawn(move || {
            if let Some(post) = menu.0.post.get() {
                post(task);
            }
        });
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
                    format.look_for_menu();
                }
                true
            }
            MenuTask::Open { parameter, place, mut asked } => {
                asked.opened = format.is_some_and(|format| format.open_menu(parameter, place));
                asked.opened
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
    use crate::format;
    use std::sync::Mutex;
    use std::sync::mpsc::{Receiver, channel};

    #[derive(Default)]
    struct Willing(Mutex<Vec<(u32, (i32, i32))>>);

    impl Format for Willing {
        fn has_menu(&self) -> bool {
            true
        }
        fn look_for_menu(&self) {}
        fn open_menu(&self, parameter: u32, place: (i32, i32)) -> bool {
            self.0.lock().unwrap().push((parameter, place));
            true
        }
    }

    /// The menu of an instance of a format, and what comes to the host's main thread.
    fn posted(format: Arc<Willing>) -> (HostMenu, Receiver<MenuTask>) {
        let menu = format::with(format, || HostMenu::new(format::of_new_instance()));
        let (post, tasks) = channel();
        menu.post_by(move |task| post.send(task).unwrap());
        (menu, tasks)
    }

    #[test]
    fn an_instance_outside_a_host_has_no_menu() {
        assert!(!HostMenu::new(format::of_new_instance()).is_offered());
        // And the next instance does not get what was left over.
        format::with(Arc::new(Willing::default()), || ());
        assert!(!HostMenu::new(format::of_new_instance()).is_offered());
    }

    #[test]
    fn a_menu_opens_on_the_main_thread_alone_and_one_at_a_time() {
        let format = Arc::new(Willing::default());
        let (menu, tasks) = posted(format.clone());
        assert!(menu.is_offered());
        menu.ask(Control::Mix, (3, 4));
        menu.ask(Control::Knee, (5, 6));
        assert!(!menu.is_offered(), "one is asked for");
        let task = tasks.recv().unwrap();
        assert!(tasks.try_recv().is_err());

        let elsewhere = menu.clone();
        assert!(!thread::spawn(move || elsewhere.perform(task)).join().unwrap());
        assert!(menu.take_refusal() && !menu.take_refusal());
        assert!(format.0.lock().unwrap().is_empty());

        menu.ask(Control::Mix, (3, 4));
        assert!(menu.perform(tasks.recv().unwrap()));
        assert!(!menu.take_refusal() && menu.is_offered());
        assert_eq!(*format.0.lock().unwrap(), [(id(Control::Mix), (3, 4))]);
    }

    #[test]
    fn a_menu_that_nobody_got_round_to_is_refused_and_can_be_asked_for_again() {
        let (menu, tasks) = posted(Arc::default());
        menu.ask(Control::Mix, (3, 4));
        drop(tasks.recv().unwrap());
        assert!(menu.take_refusal() && menu.is_offered());
        menu.ask(Control::Mix, (3, 4));
        assert!(menu.perform(tasks.recv().unwrap()));
    }
}
