//! The widest registers of the processor that the engine runs on.
//!
//! The crate is built for any processor of its kind, and registers that every x86-64 has hold four
//! 32-bit numbers. Nearly all in use have AVX2, and hold eight; those with AVX-512 hold sixteen, and have
//! twice as many. What stands in [`wide!`] is compiled once more for each. That reaches only as far as
//! functions are inlined, hence the `#[inline(always)]` on all that a block passes through; one that lacks
//! it is slower, and nothing else.
//! All do the same operations in the same order on each number, none fused, so the bits are the same.
//!
//! Stages stand in it one by one: in one piece, the compiler loses sight of what lies where.

#[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
use fearless_simd::{Avx2, Avx512, Level, Simd};

/// What is there.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Registers {
    /// Those that every processor has.
    Common,
    #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
    Avx2(Avx2),
    #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
    Avx512(Avx512),
}

impl Registers {
    /// Asks the processor for all that it has, the widest last.
    pub(crate) fn all() -> impl Iterator<Item = Self> {
        let common = std::iter::once(Self::Common);
        #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
        {
            let level = Level::new();
            let avx2 = level.as_avx2().map(Self::Avx2);
            common.chain(avx2).chain(level.as_avx512().map(Self::Avx512))
        }
        #[cfg(not(any(target_arch = "x86", target_arch = "x86_64")))]
        common
    }

    /// The widest of them.
    pub(crate) fn widest() -> Self {
        Self::all().last().unwrap_or(Self::Common)
    }

    /// Does work in them, for [`wide!`].
    #[inline(always)]
    pub(crate) fn run<R>(self, work: impl FnOnce() -> R) -> R {
        match self {
            Self::Common => work(),
            #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
            Self::Avx2(registers) => registers.vectorize(work),
            #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
            Self::Avx512(registers) => registers.vectorize(work),
        }
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
