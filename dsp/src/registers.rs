//! The widest registers of the processor that the engine runs on.
//!
//! The crate is built for any processor of its kind, and registers that every x86-64 has hold four
//! 32-bit numbers. Nearly all in use have AVX2, and hold eight: what stands in [`wide!`] is compiled a
//! second time for those. That reaches only as far as functions are inlined, hence the
//! `#[inline(always)]` on all that a block passes through; one that lacks it is slower, and nothing else.
//! Both do the same operations in the same order on each number, none fused, so the bits are the same.
//!
//! Stages stand in it one by one: in one piece, the compiler loses sight of what lies where.

#[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
use fearless_simd::{Avx2, Level, Simd};

/// What is there.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Registers {
    #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
    avx2: Option<Avx2>,
}

impl Registers {
    /// Asks the processor.
    pub(crate) fn widest() -> Self {
        Self {
            #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
            avx2: Level::new().as_avx2(),
        }
    }

    /// Those that every processor has.
    #[cfg(test)]
    pub(crate) fn narrowest() -> Self {
        Self {
            #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
            avx2: None,
        }
    }

    /// Does work in them, for [`wide!`].
    #[inline(always)]
    pub(crate) fn run<R>(self, work: impl FnOnce() -> R) -> R {
        #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
        if let Some(avx2) = self.avx2 {
            return avx2.vectorize(work);
        }
        work()
    }
}

/// Works out an expression in the registers given.
macro_rules! wide {
    ($registers:expr, $work:expr) => {
        $registers.run(
            #[inline(always)]
            || $work,
        )
    };
}
pub(crate) use wide;
