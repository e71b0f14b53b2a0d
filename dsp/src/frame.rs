//! Stereo samples in short blocks of fixed capacity. Stages work block by block, but each sample
//! sees the same arithmetic wherever the blocks are cut.

/// Most frames in a block. Long enough for loops to vectorise, short enough to stay in cache.
pub(crate) const CHUNK: usize = 128;

/// Input samples beyond +36 dB re full scale are a fault upstream, not programme: they pass through,
/// but neither move the gain nor count as loudness.
const FAULT_LEVEL: f32 = 64.0;

/// Samples are limited to +120 dB re full scale, so that no chain of gains overflows.
const LIMIT: f32 = 1e6;

/// One value per frame of a block.
pub(crate) type Lane = [f32; CHUNK];

/// A short block of stereo samples.
#[derive(Debug, Clone)]
pub(crate) struct Frames {
    lanes: [Lane; 2],
    len: usize,
}

impl Frames {
    pub(crate) const fn new() -> Self {
        Self { lanes: [[0.0; CHUNK]; 2], len: 0 }
    }

    /// Takes over samples, at most [`CHUNK`] of them. What is not a number, infinite or subnormal
    /// becomes zero here and what is absurdly large is limited, so that no stage has to think of it.
    pub(crate) fn load(&mut self, left: &[f32], right: &[f32]) {
        self.len = left.len();
        for (lane, source) in self.lanes.iter_mut().zip([left, right]) {
            for (sample, &x) in lane.iter_mut().zip(source) {
                let limited = x.clamp(-LIMIT, LIMIT);
                *sample = without_subnormal(if x.abs() < f32::INFINITY { limited } else { 0.0 });
            }
        }
    }

    /// Takes over the samples of another block.
    pub(crate) fn copy_from(&mut self, other: &Frames) {
        self.len = other.len;
        for (to, from) in self.channels_mut().into_iter().zip(other.channels()) {
            to.copy_from_slice(from);
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.len
    }

    /// Left and right.
    pub(crate) fn channels(&self) -> [&[f32]; 2] {
        let [left, right] = &self.lanes;
        [&left[..self.len], &right[..self.len]]
    }

    /// Left and right.
    pub(crate) fn channels_mut(&mut self) -> [&mut [f32]; 2] {
        let [left, right] = &mut self.lanes;
        [&mut left[..self.len], &mut right[..self.len]]
    }

    /// Whether a sample is too large to be programme.
    pub(crate) fn has_fault(&self) -> bool {
        self.channels().into_iter().any(|channel| is_fault(largest(channel)))
    }
}

/// `x`, or zero of its sign where it is subnormal.
#[inline]
pub(crate) fn without_subnormal(x: f32) -> f32 {
    const SIGN: u32 = 1 << 31;
    let kept = if x.abs() >= f32::MIN_POSITIVE { u32::MAX } else { SIGN };
    f32::from_bits(x.to_bits() & kept)
}

/// The largest magnitude among samples, 0 among none.
pub(crate) fn largest(samples: &[f32]) -> f32 {
    // Side by side, so that it vectorises.
    let larger = |a: f32, b: f32| if a > b { a } else { b };
    let mut largest = [0f32; 8];
    let (wide, rest) = samples.as_chunks::<8>();
    for samples in wide {
        for (largest, x) in largest.iter_mut().zip(samples) {
            *largest = larger(x.abs(), *largest);
        }
    }
    let [a, b, c, d] = std::array::from_fn(|i| larger(largest[i], largest[i + 4]));
    let wide = larger(larger(a, c), larger(b, d));
    rest.iter().fold(wide, |largest, x| larger(x.abs(), largest))
}

/// Whether samples are the same, bit for bit.
pub(crate) fn same(left: &[f32], right: &[f32]) -> bool {
    // Without branches, so that it vectorises.
    let differ = |differ, (l, r): (&f32, &f32)| differ | (l.to_bits() ^ r.to_bits());
    left.iter().zip(right).fold(0, differ) == 0
}

/// Work that has nothing to do with what it is done beside. In a loop of recursions that wait for
/// themselves it costs next to nothing, because the processor does it meanwhile.
pub(crate) trait Beside: Copy {
    /// Does a piece of it, if there is one left.
    fn step(&mut self);
}

/// No work.
impl Beside for () {
    #[inline]
    fn step(&mut self) {}
}

/// Does the same to both lanes, and the work only once when they are the same, as they are in linked
/// channels.
#[inline]
pub(crate) fn each_once(lanes: &mut [Lane; 2], len: usize, work: impl Fn(&mut [f32])) {
    let [left, right] = lanes;
    let [left, right] = [&mut left[..len], &mut right[..len]];
    let same = same(left, right);
    work(left);
    if same {
        right.copy_from_slice(left);
    } else {
        work(right);
    }
}

/// Whether an input sample is too large to be programme.
#[inline]
pub(crate) fn is_fault(x: f32) -> bool {
    x.abs() > FAULT_LEVEL
}

/// `x`, or silence where the input it came from is a fault.
#[inline]
pub(crate) fn without_fault(x: f32, input: f32) -> f32 {
    if is_fault(input) { 0.0 } else { x }
}
