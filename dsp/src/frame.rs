//! Stereo samples in short blocks of fixed capacity. Stages work block by block, but each sample
//! sees the same arithmetic wherever the blocks are cut.

/// Most frames in a block. Long enough for loops to vectorise, short enough to stay in cache.
pub(crate) const CHUNK: usize = 128;

/// Length of a hop in seconds. What is decided or tidied up is so where a hop ends; they are counted from the
/// last reset, and blocks do not cross their ends.
pub(crate) const HOP_S: f64 = 0.02;

/// Length of a hop in samples.
pub(crate) fn hop_length(rate_hz: f64) -> u32 {
    ((rate_hz * HOP_S).round() as u32).max(1)
}

/// Input samples beyond +36 dB re full scale are a fault upstream, not programme: they pass through,
/// but neither move the gain nor count as loudness.
const FAULT_LEVEL: f32 = 64.0;

/// Samples are limited to +120 dB re full scale, so that no chain of gains overflows.
const LIMIT: f32 = 1e6;

/// One value per frame of a block.
pub(crate) type Lane = [f32; CHUNK];

/// Samples of left and right.
pub(crate) type Stereo<'a> = [&'a [f32]; 2];

/// A short block of stereo samples.
#[derive(Debug, Clone)]
pub(crate) struct Frames {
    lanes: [Lane; 2],
    len: usize,
    came_with_fault: bool,
}

impl Frames {
    pub(crate) const fn new() -> Self {
        Self { lanes: [[0.0; CHUNK]; 2], len: 0, came_with_fault: false }
    }

    /// Takes over samples, at most [`CHUNK`] of them. What is not a number, infinite or subnormal
    /// becomes zero here and what is absurdly large is limited, so that no stage has to think of it.
    #[inline(always)]
    pub(crate) fn load(&mut self, left: &[f32], right: &[f32]) {
        self.len = left.len();
        // Counted, because that vectorises.
        let mut faults = 0;
        for (lane, source) in self.lanes.iter_mut().zip([left, right]) {
            for (sample, &x) in lane.iter_mut().zip(source) {
                let limited = x.clamp(-LIMIT, LIMIT);
                *sample = without_subnormal(if x.abs() < f32::INFINITY { limited } else { 0.0 });
                faults += u32::from(is_fault(*sample));
            }
        }
        self.came_with_fault = faults > 0;
    }

    /// Left and right of a block of so many samples, to be written anew.
    #[inline(always)]
    pub(crate) fn renew(&mut self, len: usize) -> [&mut [f32]; 2] {
        (self.len, self.came_with_fault) = (len, false);
        self.channels_mut()
    }

    /// Takes over the samples of another block.
    #[inline(always)]
    pub(crate) fn copy_from(&mut self, other: &Frames) {
        (self.len, self.came_with_fault) = (other.len, other.came_with_fault);
        for (to, from) in self.channels_mut().into_iter().zip(other.channels()) {
            to.copy_from_slice(from);
        }
    }

    #[inline(always)]
    pub(crate) fn len(&self) -> usize {
        self.len
    }

    /// Left and right.
    #[inline(always)]
    pub(crate) fn channels(&self) -> Stereo<'_> {
        let [left, right] = &self.lanes;
        [&left[..self.len], &right[..self.len]]
    }

    /// Left and right.
    #[inline(always)]
    pub(crate) fn channels_mut(&mut self) -> [&mut [f32]; 2] {
        let [left, right] = &mut self.lanes;
        [&mut left[..self.len], &mut right[..self.len]]
    }

    /// Whether a sample was too large to be programme when the block was [loaded](Self::load), whatever
    /// was done to it since.
    #[inline(always)]
    pub(crate) fn came_with_fault(&self) -> bool {
        self.came_with_fault
    }
}

/// `x`, or zero of its sign where it is subnormal.
#[inline(always)]
pub(crate) fn without_subnormal(x: f32) -> f32 {
    const SIGN: u32 = 1 << 31;
    let kept = if x.abs() >= f32::MIN_POSITIVE { u32::MAX } else { SIGN };
    f32::from_bits(x.to_bits() & kept)
}

/// The larger of two numbers, in the form that vectorises.
#[inline(always)]
pub(crate) fn larger(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

/// The largest magnitude among samples, 0 among none.
#[inline(always)]
pub(crate) fn largest(samples: &[f32]) -> f32 {
    // Side by side, so that it vectorises.
    let mut largest = [0f32; 8];
    let (wide, rest) = samples.as_chunks::<8>();
    for samples in wide {
        for (largest, x) in largest.iter_mut().zip(samples) {
            *largest = larger(x.abs(), *largest);
        }
    }
    let wide = one_of(largest, larger);
    rest.iter().fold(wide, |largest, x| larger(x.abs(), largest))
}

/// One of eight values, found by choosing from two at a time.
#[inline(always)]
pub(crate) fn one_of(values: [f32; 8], choose: impl Fn(f32, f32) -> f32) -> f32 {
    let [a, b, c, d] = std::array::from_fn(|i| choose(values[i], values[i + 4]));
    choose(choose(a, c), choose(b, d))
}

/// Work that has nothing to do with what it is done beside. In a loop of recursions that wait for
/// themselves it costs next to nothing, because the processor does it meanwhile.
pub(crate) trait Beside: Copy {
    /// Does a piece of it, if there is one left.
    fn step(&mut self);
}

/// No work.
impl Beside for () {
    #[inline(always)]
    fn step(&mut self) {}
}

/// Calls `work` for every number below `len`, and does a step of `beside` for every other, so that the
/// time that both take is nearly that of the longer one. What is left of `beside` comes back.
#[inline(always)]
pub(crate) fn in_pairs<B: Beside>(len: usize, mut beside: B, mut work: impl FnMut(usize)) -> B {
    for pair in 0..len / 2 {
        work(2 * pair);
        work(2 * pair + 1);
        beside.step();
    }
    if len % 2 == 1 {
        work(len - 1);
    }
    beside
}

/// One value per frame of left and right, as levels and reductions are. Where they are known to be alike,
/// as in linked channels, only one is kept and worked on.
#[derive(Debug)]
pub(crate) struct Lanes {
    lanes: [Lane; 2],
    alike: bool,
}

impl Lanes {
    pub(crate) const fn new() -> Self {
        Self { lanes: [[0.0; CHUNK]; 2], alike: true }
    }

    /// Whether left and right are known to be alike.
    pub(crate) fn alike(&self) -> bool {
        self.alike
    }

    /// The first values of left and right.
    #[inline(always)]
    pub(crate) fn channels(&self, len: usize) -> Stereo<'_> {
        let [left, right] = &self.lanes;
        [&left[..len], if self.alike { &left[..len] } else { &right[..len] }]
    }

    /// Left and right, to be written anew.
    #[inline(always)]
    pub(crate) fn renew(&mut self, len: usize) -> [&mut [f32]; 2] {
        self.alike = false;
        self.lanes.each_mut().map(|lane| &mut lane[..len])
    }

    /// Left and right, to be worked on one by one.
    #[inline(always)]
    pub(crate) fn apart(&mut self, len: usize) -> [&mut [f32]; 2] {
        if self.alike {
            let [left, right] = &mut self.lanes;
            right[..len].copy_from_slice(&left[..len]);
        }
        self.renew(len)
    }

    /// The one to be worked on, when left and right are alike or become so by it.
    #[inline(always)]
    pub(crate) fn one(&mut self, len: usize) -> &mut [f32] {
        self.alike = true;
        &mut self.lanes[0][..len]
    }

    /// Takes what `work` makes of each value of others.
    #[inline(always)]
    pub(crate) fn take(&mut self, from: &Lanes, len: usize, work: impl Fn(f32) -> f32) {
        self.alike = from.alike;
        for (to, &from) in self.lanes[0][..len].iter_mut().zip(&from.lanes[0]) {
            *to = work(from);
        }
        if !self.alike {
            for (to, &from) in self.lanes[1][..len].iter_mut().zip(&from.lanes[1]) {
                *to = work(from);
            }
        }
    }
}

/// Whether left and right are one lane, as those of linked [`Lanes`] are.
#[inline(always)]
pub(crate) fn is_one_lane([left, right]: Stereo<'_>) -> bool {
    std::ptr::eq(left, right)
}

/// Whether an input sample is too large to be programme.
#[inline(always)]
pub(crate) fn is_fault(x: f32) -> bool {
    x.abs() > FAULT_LEVEL
}

/// `x`, or silence where the input it came from is a fault.
#[inline(always)]
pub(crate) fn without_fault(x: f32, input: f32) -> f32 {
    if is_fault(input) { 0.0 } else { x }
}
