//! Traps for what an audio thread must not do: touch the allocator, or call the system.
//!
//! The allocator of the whole process, bundles included, is glibc's behind a door that counts. System
//! calls are caught by the kernel's syscall user dispatch (Linux 5.11, `prctl(2)`): while a thread is
//! watched, each of them raises SIGSYS there before it is carried out. A lock that is waited for is
//! a system call too (futex). What the kernel answers without being called, as the time of day, is
//! none.
#![allow(unsafe_code)] // the C library is C

use std::cell::Cell;
use std::ffi::{c_int, c_void};
use std::sync::Once;
use std::sync::atomic::{AtomicI64, AtomicUsize, Ordering};

thread_local! {
    /// Whether this thread may not allocate just now.
    static WATCHED: Cell<bool> = const { Cell::new(false) };
    /// Read by the kernel: 0 lets system calls through, 1 traps them.
    static SELECTOR: Cell<u8> = const { Cell::new(0) };
}

static ALLOCATIONS: AtomicUsize = AtomicUsize::new(0);
static SYSTEM_CALLS: AtomicUsize = AtomicUsize::new(0);
/// Number of the system call that was caught last.
static LAST_CALL: AtomicI64 = AtomicI64::new(-1);

/// What was caught so far, on all watched threads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Caught {
    /// Memory taken, resized or given back so many times.
    pub(crate) allocations: usize,
    pub(crate) system_calls: usize,
    /// Number of the last of them; −1 when there was none.
    pub(crate) last_call: i64,
}

pub(crate) fn caught() -> Caught {
    Caught {
        allocations: ALLOCATIONS.load(Ordering::SeqCst),
        system_calls: SYSTEM_CALLS.load(Ordering::SeqCst),
        last_call: LAST_CALL.load(Ordering::SeqCst),
    }
}

/// Permission to watch the thread it was made on.
pub(crate) struct Watch(std::marker::PhantomData<*const ()>);

impl Watch {
    /// Prepares the calling thread.
    pub(crate) fn new() -> Self {
        static HANDLER: Once = Once::new();
        HANDLER.call_once(|| {
            // SAFETY: the handler does nothing that a signal handler may not.
            unsafe {
                let mut action: libc::sigaction = std::mem::zeroed();
                action.sa_sigaction = caught_call as *const () as usize;
                action.sa_flags = libc::SA_SIGINFO;
                assert_eq!(libc::sigaction(libc::SIGSYS, &action, std::ptr::null_mut()), 0);
            }
        });
        const SET_SYSCALL_USER_DISPATCH: c_int = 59;
        const ON: libc::c_ulong = 1;
        let selector = SELECTOR.with(Cell::as_ptr);
        let none: libc::c_ulong = 0;
        // SAFETY: the selector is one byte that lives as long as the thread.
        let on = unsafe { libc::prctl(SET_SYSCALL_USER_DISPATCH, ON, none, none, selector) };
        assert_eq!(
            on,
            0,
            "this kernel does not trap system calls ({}); Linux 5.11 and later do",
            std::io::Error::last_os_error()
        );
        Self(std::marker::PhantomData)
    }

    /// Runs something that must neither allocate nor call the system.
    pub(crate) fn over<T>(&self, run: impl FnOnce() -> T) -> T {
        WATCHED.set(true);
        SELECTOR.set(1);
        let done = run();
        SELECTOR.set(0);
        WATCHED.set(false);
        done
    }
}

/// What the kernel tells of a call that it did not carry out (`sigaction(2)`).
#[repr(C)]
struct Call {
    signal: c_int,
    error: c_int,
    code: c_int,
    at: *const c_void,
    number: c_int,
}

/// Notes a system call, carries it out after all, and lets all others through until the thread is
/// watched anew.
unsafe extern "C" fn caught_call(_: c_int, call: *const Call, context: *mut c_void) {
    SELECTOR.set(0);
    // SAFETY: the kernel passes both. The call is the one that the thread wanted to make, with its
    // arguments; its result goes where the thread looks for it.
    unsafe {
        let number = i64::from((*call).number);
        SYSTEM_CALLS.fetch_add(1, Ordering::SeqCst);
        LAST_CALL.store(number, Ordering::SeqCst);
        let registers = &mut (*context.cast::<libc::ucontext_t>()).uc_mcontext.gregs;
        let argument = |register: c_int| registers[register as usize];
        let result = libc::syscall(
            number,
            argument(libc::REG_RDI),
            argument(libc::REG_RSI),
            argument(libc::REG_RDX),
            argument(libc::REG_R10),
            argument(libc::REG_R8),
            argument(libc::REG_R9),
        );
        let failed = i64::from(*libc::__errno_location());
        registers[libc::REG_RAX as usize] = if result == -1 { -failed } else { result };
    }
}

fn note() {
    // A thread that ends has no such place any more, and is not watched.
    if WATCHED.try_with(Cell::get).unwrap_or(false) {
        ALLOCATIONS.fetch_add(1, Ordering::SeqCst);
    }
}

/// glibc's allocator under the names it keeps for those who put another before it.
mod glibc {
    use std::ffi::c_void;

    unsafe extern "C" {
        pub(super) fn __libc_malloc(size: usize) -> *mut c_void;
        pub(super) fn __libc_calloc(count: usize, size: usize) -> *mut c_void;
        pub(super) fn __libc_realloc(memory: *mut c_void, size: usize) -> *mut c_void;
        pub(super) fn __libc_memalign(align: usize, size: usize) -> *mut c_void;
        pub(super) fn __libc_free(memory: *mut c_void);
    }
}

// SAFETY of the doors: each keeps the contract of the function it stands for by handing on to it. The
// names are those by which every library of the process, loaded later or not, calls the allocator.

#[unsafe(no_mangle)]
unsafe extern "C" fn malloc(size: usize) -> *mut c_void {
    note();
    // SAFETY: see above.
    unsafe { glibc::__libc_malloc(size) }
}

#[unsafe(no_mangle)]
unsafe extern "C" fn calloc(count: usize, size: usize) -> *mut c_void {
    note();
    // SAFETY: see above.
    unsafe { glibc::__libc_calloc(count, size) }
}

#[unsafe(no_mangle)]
unsafe extern "C" fn realloc(memory: *mut c_void, size: usize) -> *mut c_void {
    note();
    // SAFETY: see above.
    unsafe { glibc::__libc_realloc(memory, size) }
}

#[unsafe(no_mangle)]
unsafe extern "C" fn aligned_alloc(align: usize, size: usize) -> *mut c_void {
    note();
    // SAFETY: see above.
    unsafe { glibc::__libc_memalign(align, size) }
}

#[unsafe(no_mangle)]
unsafe extern "C" fn memalign(align: usize, size: usize) -> *mut c_void {
    note();
    // SAFETY: see above.
    unsafe { glibc::__libc_memalign(align, size) }
}

#[unsafe(no_mangle)]
unsafe extern "C" fn posix_memalign(memory: *mut *mut c_void, align: usize, size: usize) -> c_int {
    note();
    // SAFETY: see above; the caller has room for a pointer.
    unsafe {
        let taken = glibc::__libc_memalign(align, size);
        if taken.is_null() {
            return libc::ENOMEM;
        }
        *memory = taken;
    }
    0
}

#[unsafe(no_mangle)]
unsafe extern "C" fn free(memory: *mut c_void) {
    note();
    // SAFETY: see above.
    unsafe { glibc::__libc_free(memory) }
}
