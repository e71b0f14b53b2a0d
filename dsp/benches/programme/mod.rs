//! What the benchmarks play.

/// Two seconds at 48 kHz, in frames: few enough that a run often ends before the system interrupts
/// it.
pub(crate) const FRAMES: usize = 96_000;

/// Decaying noise bursts over a little hiss, left and right.
pub(crate) fn programme() -> [Vec<f32>; 2] {
    let mut state = 1u32;
    let mut channel = || {
        (0..FRAMES)
            .map(|n| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let envelope = (-((n % 24_000) as f32) / 6_000.0).exp() + 0.01;
                0.5 * envelope * (state as f32 / 2_147_483_648.0 - 1.0)
            })
            .collect()
    };
    [channel(), channel()]
}
