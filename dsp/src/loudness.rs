//! Loudness by ITU-R BS.1770-5: K-weighted energies of the dry and the processed signal side by
//! side, the constant gain that makes them equal (match), the running gain that lets the dry be
//! compared (compare), and the integrated loudness of a whole programme.
//!
//! Energies are summed in hops of 20 ms, counted from the last reset and so independent of how the
//! stream is cut. Five hops make the 100 ms step of the standard, four steps its 400 ms block.

use crate::filter::{KWeighting, KWeightingCoefficients, KWeightingSteps};
use crate::frame::{Beside, CHUNK, HOP_S, Stereo, hop_length, without_fault};
use crate::units::{SILENCE_DB, power_to_db};
use wide::{f32x4, f64x2};

const HOPS_PER_STEP: u32 = 5;
const STEPS_PER_BLOCK: usize = 4;

/// Offset of the loudness formula, dB.
const OFFSET_DB: f64 = -0.691;
/// Absolute gate, LUFS.
const ABSOLUTE_GATE_LUFS: f64 = -70.0;
/// Relative gate, LU below the loudness of what passes the absolute one.
const RELATIVE_GATE_LU: f64 = -10.0;

/// How many channels of the stereo engine carry programme.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Channels {
    /// Left and right carry the same samples; loudness counts one of them.
    Mono,
    /// Left and right.
    Stereo,
}

impl Channels {
    /// Channel energies summed, for the mean of two: L² + R² = 2(M² + S²).
    fn weight(self) -> f64 {
        match self {
            Channels::Mono => 1.0,
            Channels::Stereo => 2.0,
        }
    }
}

/// Loudness in LUFS of a K-weighted energy; [`SILENCE_DB`] for nothing.
pub(crate) fn lufs(energy: f64) -> f32 {
    ((OFFSET_DB + power_to_db(energy)) as f32).max(SILENCE_DB)
}

/// Energy at the absolute gate.
fn gate_energy() -> f64 {
    10f64.powf((ABSOLUTE_GATE_LUFS - OFFSET_DB) / 10.0)
}

/// K-weighted energy of middle and side, each weighted so that their sum is the programme's, and
/// what they have in common.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Energy {
    pub(crate) mid: f64,
    pub(crate) side: f64,
    pub(crate) cross: f64,
}

impl Energy {
    pub(crate) fn total(self) -> f64 {
        self.mid + self.side
    }

    /// Correlation of left and right, −1 to 1, by L = M + S and R = M − S; none when one is silent, as
    /// against the other or at all.
    pub(crate) fn correlation(self) -> Option<f64> {
        let left = self.total() + 2.0 * self.cross;
        let right = self.total() - 2.0 * self.cross;
        let silent = (1e-9 * self.total()).max(10f64.powf(f64::from(SILENCE_DB) / 10.0));
        (left > silent && right > silent)
            .then(|| ((self.mid - self.side) / (left * right).sqrt()).clamp(-1.0, 1.0))
    }
}

/// Left of two signals, then right of both.
type Quad = f32x4;

/// K-weighted energies of two stereo signals side by side, hop by hop.
#[derive(Debug)]
struct Energies {
    sums: Sums,
    weight: f64,
}

/// K-weighting, and what comes out of it summed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sums {
    steps: KWeightingSteps,
    weighting: KWeighting,
    /// Of the squares of left and right, and of their product.
    squares: [f64; 4],
    products: [f64; 2],
}

impl Sums {
    #[inline(always)]
    fn add(&mut self, x: Quad) {
        let x = self.weighting.next(&self.steps, x).to_array().map(f64::from);
        for (sum, x) in self.squares.iter_mut().zip(x) {
            *sum += x * x;
        }
        for (i, sum) in self.products.iter_mut().enumerate() {
            *sum += x[i] * x[i + 2];
        }
    }
}

impl Energies {
    fn new(rate_hz: f64, channels: Channels) -> Self {
        Self {
            sums: Sums {
                steps: KWeightingCoefficients::new(rate_hz).in_steps(),
                weighting: KWeighting::default(),
                squares: [0.0; 4],
                products: [0.0; 2],
            },
            weight: channels.weight() / f64::from(hop_length(rate_hz)),
        }
    }

    /// Adds both signals, frame by frame.
    #[inline(always)]
    fn add(&mut self, frames: impl Iterator<Item = Quad>) {
        // In registers while it runs.
        let mut sums = self.sums;
        frames.for_each(|x| sums.add(x));
        self.sums = sums;
    }

    /// Begins a hop anew.
    fn forget_sums(&mut self) {
        (self.sums.squares, self.sums.products) = Default::default();
    }

    fn end_hop(&mut self) -> [Energy; 2] {
        self.sums.weighting.settle();
        let [l0, l1, r0, r1] = std::mem::take(&mut self.sums.squares);
        let sums = [[l0, l1], [r0, r1], std::mem::take(&mut self.sums.products)];
        [0, 1].map(|i| {
            // With L = M + S and R = M − S. Without a side the three sums are the same numbers, so
            // that it comes out as nothing.
            let [left, right, product] = sums.map(|sum| 0.25 * self.weight * sum[i]);
            let squares = left + right;
            Energy {
                mid: squares + 2.0 * product,
                side: (squares - 2.0 * product).max(0.0),
                cross: left - right,
            }
        })
    }
}

/// Sums hops to steps of 100 ms, and steps to blocks of 400 ms every 100 ms.
#[derive(Debug)]
struct Blocks<const N: usize> {
    hops: u32,
    step: [f64; N],
    steps: [[f64; N]; STEPS_PER_BLOCK],
    count: usize,
}

impl<const N: usize> Blocks<N> {
    const fn new() -> Self {
        Self { hops: 0, step: [0.0; N], steps: [[0.0; N]; STEPS_PER_BLOCK], count: 0 }
    }

    /// The step that ends with this hop, and the block that ends with it, if any.
    #[inline(always)]
    fn add(&mut self, hop: [f64; N]) -> Option<([f64; N], Option<[f64; N]>)> {
        for (sum, energy) in self.step.iter_mut().zip(hop) {
            *sum += energy / f64::from(HOPS_PER_STEP);
        }
        self.hops += 1;
        if self.hops < HOPS_PER_STEP {
            return None;
        }
        self.hops = 0;
        let step = std::mem::replace(&mut self.step, [0.0; N]);
        self.steps[self.count % STEPS_PER_BLOCK] = step;
        self.count += 1;
        let block = (self.count >= STEPS_PER_BLOCK).then(|| {
            std::array::from_fn(|i| {
                self.steps.iter().map(|step| step[i]).sum::<f64>() / STEPS_PER_BLOCK as f64
            })
        });
        Some((step, block))
    }
}

/// Mean energy of blocks by the two gates of BS.1770; none when nothing passes.
fn gated_mean(blocks: impl Iterator<Item = f64> + Clone) -> Option<f64> {
    let mean_above = |gate: f64| {
        let (sum, count) = blocks
            .clone()
            .filter(|&energy| energy > gate)
            .fold((0.0, 0.0), |(sum, count), energy| (sum + energy, count + 1.0));
        (count > 0.0).then_some(sum / count)
    };
    let absolute = gate_energy();
    let relative = mean_above(absolute)? * 10f64.powf(RELATIVE_GATE_LU / 10.0);
    mean_above(absolute.max(relative))
}

/// Width of the classes in which [`LoudnessPair`] counts blocks, in LU.
const CLASS_LU: f64 = 0.1;
/// Classes from the absolute gate up to +30 LUFS.
const CLASSES: usize = 1_000;

/// Blocks in classes of their loudness: how many, and the sum of their energies.
#[derive(Debug)]
struct Classes(Box<[(f64, u32); CLASSES]>);

impl Classes {
    fn new() -> Self {
        Self(Box::new([(0.0, 0); CLASSES]))
    }

    /// The class of an energy above the absolute gate.
    fn of(energy: f64) -> usize {
        ((power_to_db(energy / gate_energy()) / CLASS_LU).max(0.0) as usize).min(CLASSES - 1)
    }

    #[inline(always)]
    fn add(&mut self, energy: f64) {
        let (sum, count) = &mut self.0[Self::of(energy)];
        *sum += energy;
        *count += 1;
    }

    fn mean_from(&self, class: usize) -> Option<f64> {
        let (sum, count) = self.0[class..]
            .iter()
            .fold((0.0, 0), |(sum, count), class| (sum + class.0, count + class.1));
        (count > 0).then(|| sum / f64::from(count))
    }

    /// Mean energy by the two gates. Sums are exact; only the relative gate is rounded to a class.
    fn gated_mean(&self) -> Option<f64> {
        let relative = self.mean_from(0)? * 10f64.powf(RELATIVE_GATE_LU / 10.0);
        self.mean_from(if relative > gate_energy() { Self::of(relative) } else { 0 })
    }
}

/// Integrated loudness by BS.1770-5 of two programmes side by side, for any length in memory that
/// does not grow. Blocks in which one of the two lies below the absolute gate count for neither.
#[derive(Debug)]
pub(crate) struct LoudnessPair {
    energies: Energies,
    blocks: Blocks<2>,
    hop_length: u32,
    into_hop: u32,
    heard: [Classes; 2],
    heard_blocks: u32,
    rate_hz: f64,
    channels: Channels,
}

impl LoudnessPair {
    pub(crate) fn new(rate_hz: f64, channels: Channels) -> Self {
        Self {
            energies: Energies::new(rate_hz, channels),
            blocks: Blocks::new(),
            hop_length: hop_length(rate_hz),
            into_hop: 0,
            heard: [Classes::new(), Classes::new()],
            heard_blocks: 0,
            rate_hz,
            channels,
        }
    }

    /// Forgets the signal; what was measured stays.
    pub(crate) fn reset(&mut self) {
        self.energies = Energies::new(self.rate_hz, self.channels);
        self.blocks = Blocks::new();
        self.into_hop = 0;
    }

    /// Forgets what was measured. The blocks that began before it count no more.
    pub(crate) fn clear(&mut self) {
        self.heard.iter_mut().for_each(|classes| classes.0.fill((0.0, 0)));
        self.heard_blocks = 0;
        self.blocks = Blocks::new();
        self.energies.forget_sums();
        self.into_hop = 0;
    }

    /// Adds frames of both, left and right.
    #[inline(always)]
    pub(crate) fn add(&mut self, first: Stereo<'_>, second: Stereo<'_>) {
        let len = first[0].len();
        let mut start = 0;
        while start < len {
            let end = len.min(start + (self.hop_length - self.into_hop) as usize);
            let frame =
                |i: usize| Quad::new([first[0][i], second[0][i], first[1][i], second[1][i]]);
            self.energies.add((start..end).map(frame));
            self.into_hop += (end - start) as u32;
            start = end;
            if self.into_hop == self.hop_length {
                self.into_hop = 0;
                let hop = self.energies.end_hop().map(Energy::total);
                if let Some((_, Some(block))) = self.blocks.add(hop) {
                    self.hear(block);
                }
            }
        }
    }

    fn hear(&mut self, block: [f64; 2]) {
        if block.iter().all(|&energy| energy > gate_energy()) {
            self.heard.iter_mut().zip(block).for_each(|(classes, energy)| classes.add(energy));
            self.heard_blocks = self.heard_blocks.saturating_add(1);
        }
    }

    pub(crate) fn lufs(&self) -> Option<[f32; 2]> {
        let [first, second] = self.heard.each_ref().map(Classes::gated_mean);
        Some([lufs(first?), lufs(second?)])
    }

    /// Length of the programme heard, in seconds: a step for each block.
    pub(crate) fn heard_s(&self) -> f32 {
        (f64::from(self.heard_blocks) * HOP_S * f64::from(HOPS_PER_STEP)) as f32
    }
}

/// Measures dry and processed side by side.
///
/// A block is only noted when it comes, and measured [beside](Self::behind) something else while the
/// next one is processed, or when the hop ends.
#[derive(Debug)]
pub(crate) struct LoudnessTap {
    energies: Energies,
    noted: [Quad; CHUNK],
    /// Of what is noted, how much is there and how much has been measured.
    noted_len: usize,
    measured: usize,
    blocks: Blocks<2>,
    hop_length: u32,
    into_hop: u32,
    fault: bool,
}

/// Frames that wait to be measured.
#[derive(Clone, Copy)]
pub(crate) struct Behind<'a> {
    sums: Sums,
    noted: &'a [Quad],
}

impl Behind<'_> {
    /// The sums so far, and how many frames are left.
    #[inline(always)]
    pub(crate) fn done(self) -> (Sums, usize) {
        (self.sums, self.noted.len())
    }
}

impl Beside for Behind<'_> {
    #[inline(always)]
    fn step(&mut self) {
        if let Some((&x, rest)) = self.noted.split_first() {
            self.sums.add(x);
            self.noted = rest;
        }
    }
}

/// What a hop of dry and processed brought.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Hop {
    pub(crate) dry: Energy,
    pub(crate) processed: Energy,
    /// Energies of the last 100 ms, dry and processed, when they are complete.
    pub(crate) step: Option<[f64; 2]>,
    /// Energies of the last 400 ms, likewise.
    block: Option<[f64; 2]>,
    /// Whether both signals lie above the absolute gate and hold no fault.
    programme: bool,
}

impl LoudnessTap {
    pub(crate) fn new(rate_hz: f64, channels: Channels) -> Self {
        Self {
            energies: Energies::new(rate_hz, channels),
            noted: [Quad::ZERO; CHUNK],
            noted_len: 0,
            measured: 0,
            blocks: Blocks::new(),
            hop_length: hop_length(rate_hz),
            into_hop: 0,
            fault: false,
        }
    }

    /// Frames until the hop ends; a block must not be longer.
    #[inline(always)]
    pub(crate) fn until_hop(&self) -> usize {
        (self.hop_length - self.into_hop) as usize
    }

    /// What has been noted and not yet measured, as work to be done beside another; give what is left
    /// of it to [`put_back`](Self::put_back).
    #[inline(always)]
    pub(crate) fn behind(&self) -> Behind<'_> {
        let noted = &self.noted[self.measured..self.noted_len];
        Behind { sums: self.energies.sums, noted }
    }

    /// Takes the result of work that [was handed out](Self::behind).
    #[inline(always)]
    pub(crate) fn put_back(&mut self, (sums, left): (Sums, usize)) {
        self.energies.sums = sums;
        self.measured = self.noted_len - left;
    }

    /// Measures what is still only noted.
    #[inline(always)]
    fn catch_up(&mut self) {
        self.energies.add(self.noted[self.measured..self.noted_len].iter().copied());
        (self.noted_len, self.measured) = (0, 0);
    }

    /// Hears a block of both signals, with or without a fault in the dry one.
    #[inline(always)]
    pub(crate) fn process(
        &mut self,
        [dry_left, dry_right]: Stereo<'_>,
        [wet_left, wet_right]: Stereo<'_>,
        fault: bool,
    ) -> Option<Hop> {
        self.catch_up();
        let left = dry_left.iter().zip(wet_left);
        let right = dry_right.iter().zip(wet_right);
        let frames = left.zip(right).map(|((l0, l1), (r0, r1))| [*l0, *l1, *r0, *r1]);
        if fault {
            self.fault = true;
            for (noted, [l0, l1, r0, r1]) in self.noted.iter_mut().zip(frames) {
                let [l1, r1] = [without_fault(l1, l0), without_fault(r1, r0)];
                *noted = Quad::new([without_fault(l0, l0), l1, without_fault(r0, r0), r1]);
            }
        } else {
            self.noted.iter_mut().zip(frames).for_each(|(noted, frame)| *noted = Quad::new(frame));
        }
        self.noted_len = dry_left.len();
        self.into_hop += dry_left.len() as u32;
        (self.into_hop >= self.hop_length).then(|| {
            self.catch_up();
            self.end_hop()
        })
    }

    fn end_hop(&mut self) -> Hop {
        self.into_hop = 0;
        let [dry, processed] = self.energies.end_hop();
        let fault = std::mem::replace(&mut self.fault, false);
        if fault {
            // A block with a fault in it says nothing; start over behind it.
            self.blocks = Blocks::new();
        }
        let totals = [dry.total(), processed.total()];
        let (step, block) = match self.blocks.add(totals) {
            Some((step, block)) => (Some(step), block),
            None => (None, None),
        };
        let gate = gate_energy();
        let programme = !fault && totals.iter().all(|&energy| energy > gate);
        Hop { dry, processed, step, block, programme }
    }
}

/// What the match gain is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum MatchState {
    /// Measuring, and gliding to the gain found so far.
    #[default]
    Learning,
    /// One constant gain.
    Held,
}

/// What is worth saving of the loudness match.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct MatchMemory {
    /// The gain, in dB, −24 to +24.
    pub gain_db: f32,
    /// Whether it was still being learned.
    pub state: MatchState,
}

/// Largest gain of the match, either way, in dB.
pub const MATCH_LIMIT_DB: f32 = 24.0;

/// Programme the match listens to before it holds, in 100 ms steps: a minute, so that a quiet opening
/// does not speak for a song.
const LEARN_STEPS: usize = 600;
/// Programme it listens to before it first moves.
const FIRST_MOVE_STEPS: usize = 10;
/// Fastest movement of the match gain, dB per second.
const GLIDE_DB_PER_S: f64 = 0.5;

/// Learns the one constant gain that makes the processed path as loud as the dry one.
///
/// The gain sought is the difference of the integrated loudness of dry and processed over the
/// programme heard since learning began. It is approached at no more than 0.5 dB/s, while programme
/// plays, and held once a minute of programme was heard and the gain has arrived.
#[derive(Debug)]
pub(crate) struct Match {
    gain_db: f64,
    state: MatchState,
    blocks: Box<[[f64; 2]; LEARN_STEPS]>,
    heard: usize,
    /// Of what was heard.
    sum: f64x2,
    /// Blocks to come that began before learning did.
    stale: usize,
    target_db: Option<f64>,
}

impl Match {
    pub(crate) fn new() -> Self {
        Self {
            gain_db: 0.0,
            state: MatchState::Learning,
            blocks: Box::new([[0.0; 2]; LEARN_STEPS]),
            heard: 0,
            sum: f64x2::ZERO,
            stale: 0,
            target_db: None,
        }
    }

    pub(crate) fn memory(&self) -> MatchMemory {
        MatchMemory { gain_db: self.gain_db as f32, state: self.state }
    }

    /// Takes up a saved gain at once. Gains that are not numbers count as none saved.
    pub(crate) fn restore(&mut self, memory: MatchMemory) {
        if memory.gain_db.is_finite() {
            self.relearn();
            self.gain_db = memory.gain_db.clamp(-MATCH_LIMIT_DB, MATCH_LIMIT_DB).into();
            self.state = memory.state;
        }
    }

    /// Learns anew, from the gain it has.
    pub(crate) fn relearn(&mut self) {
        self.state = MatchState::Learning;
        self.heard = 0;
        self.sum = f64x2::ZERO;
        self.stale = STEPS_PER_BLOCK;
        self.target_db = None;
    }

    /// Keeps the gain it has, rounded to what is saved, so that a reopened song is the same.
    pub(crate) fn hold(&mut self) {
        self.gain_db = (self.gain_db as f32).into();
        self.state = MatchState::Held;
    }

    pub(crate) fn gain_db(&self) -> f64 {
        self.gain_db
    }

    pub(crate) fn state(&self) -> MatchState {
        self.state
    }

    pub(crate) fn listen(&mut self, hop: &Hop) {
        if self.state == MatchState::Held {
            return;
        }
        if let Some(block) = hop.block {
            self.hear(block);
        }
        let Some(target_db) = self.target_db.filter(|_| hop.programme) else { return };
        let most = GLIDE_DB_PER_S * HOP_S;
        self.gain_db += (target_db - self.gain_db).clamp(-most, most);
        if self.heard == LEARN_STEPS && self.gain_db == target_db {
            self.hold();
        }
    }

    fn hear(&mut self, block: [f64; 2]) {
        let gate = gate_energy();
        if self.stale > 0 {
            self.stale -= 1;
            return;
        }
        if self.heard == LEARN_STEPS || block.iter().any(|&energy| energy <= gate) {
            return;
        }
        self.blocks[self.heard] = block;
        self.heard += 1;
        self.sum += f64x2::new(block);
        if self.heard >= FIRST_MOVE_STEPS {
            let [dry, processed] = self.gated_means();
            let limit = f64::from(MATCH_LIMIT_DB);
            self.target_db = Some(power_to_db(dry / processed).clamp(-limit, limit));
        }
    }

    /// Mean energies of dry and processed behind the relative gate. All blocks have passed the absolute
    /// one, and some always pass: the gate lies below their mean.
    fn gated_means(&self) -> [f64; 2] {
        let gate = self.sum * f64x2::splat(10f64.powf(RELATIVE_GATE_LU / 10.0) / self.heard as f64);
        // Four sums side by side, so that a minute of blocks is added within a microsecond.
        let (mut sums, mut counts) = ([f64x2::ZERO; 4], [f64x2::ZERO; 4]);
        for blocks in self.blocks[..self.heard].chunks(4) {
            for ((&block, sum), count) in blocks.iter().zip(&mut sums).zip(&mut counts) {
                let energy = f64x2::new(block);
                let passes = energy.simd_gt(gate);
                *sum += passes.select(energy, f64x2::ZERO);
                *count += passes.select(f64x2::ONE, f64x2::ZERO);
            }
        }
        let total = |[a, b, c, d]: [f64x2; 4]| (a + b) + (c + d);
        (total(sums) / total(counts)).to_array()
    }
}

/// How far back compare listens: time constant of its averages, in seconds of programme. On the demo
/// song 4 s came closer to the processed signal than 5 s, and rides it no more audibly.
const COMPARE_S: f64 = 4.0;
/// Programme it hears of new settings, in hops, before newer ones make it start anew; so that under
/// automation it does not follow single hops.
const COMPARE_LEAST_HOPS: u32 = 20;
/// While settings glide and the dynamics settle, what is heard counts for the moment only, in hops.
const COMPARE_SETTLING_HOPS: u32 = 5;
/// Largest gain of compare, either way, in dB: input trim and makeup together reach it.
const COMPARE_LIMIT_DB: f64 = 48.0;

/// The gain at which the dry is as loud as the processed signal has been over the last seconds, from
/// exponential averages of both energies. Silence does not age what was heard; moved settings make
/// it start anew.
#[derive(Debug)]
pub(crate) struct Compare {
    dry: f64,
    processed: f64,
    /// Hops heard since it began or started anew.
    hops: u32,
    /// Settings have moved since then.
    moved: bool,
    /// It started anew because of that, and the settings are settling.
    settling: bool,
    gain_db: f64,
}

impl Compare {
    pub(crate) const fn new() -> Self {
        Self { dry: 0.0, processed: 0.0, hops: 0, moved: false, settling: false, gain_db: 0.0 }
    }

    pub(crate) fn reset(&mut self) {
        *self = Self::new();
    }

    /// What was heard so far was heard at other settings.
    pub(crate) fn settings_moved(&mut self) {
        self.moved = true;
    }

    pub(crate) fn listen(&mut self, hop: &Hop) {
        if !hop.programme {
            return;
        }
        if self.moved && self.hops >= COMPARE_LEAST_HOPS {
            *self = Self { settling: true, gain_db: self.gain_db, ..Self::new() };
        } else if self.settling && self.hops == COMPARE_SETTLING_HOPS {
            (self.dry, self.processed, self.settling) = (0.0, 0.0, false);
        }
        // Sums instead of means: only their ratio is used, and it is right from the first hop.
        let keep = (-HOP_S / COMPARE_S).exp();
        self.dry = self.dry * keep + hop.dry.total();
        self.processed = self.processed * keep + hop.processed.total();
        self.hops = self.hops.saturating_add(1);
        self.gain_db =
            power_to_db(self.processed / self.dry).clamp(-COMPARE_LIMIT_DB, COMPARE_LIMIT_DB);
    }

    /// Gain in dB from dry to processed, before match and output trim.
    pub(crate) fn gain_db(&self) -> f64 {
        self.gain_db
    }
}

/// Integrated loudness of a programme by BS.1770-5: K-weighted, gated at −70 LUFS and at 10 LU
/// below the mean of what remains. For use off the audio thread: it keeps a value per 100 ms.
#[derive(Debug)]
pub struct ProgrammeLoudness {
    energies: Energies,
    blocks: Blocks<1>,
    hop_length: u32,
    into_hop: u32,
    heard: Vec<f64>,
}

impl ProgrammeLoudness {
    /// A meter for one programme.
    pub fn new(rate_hz: f64, channels: Channels) -> Self {
        Self {
            energies: Energies::new(rate_hz, channels),
            blocks: Blocks::new(),
            hop_length: hop_length(rate_hz),
            into_hop: 0,
            heard: Vec::new(),
        }
    }

    /// Adds frames of left and right.
    #[inline(always)]
    pub fn add(&mut self, left: &[f32], right: &[f32]) {
        for (&left, &right) in left.iter().zip(right) {
            self.energies.add(std::iter::once(Quad::new([left, 0.0, right, 0.0])));
            self.into_hop += 1;
            if self.into_hop == self.hop_length {
                self.into_hop = 0;
                let [hop, _] = self.energies.end_hop();
                if let Some((_, Some([block]))) = self.blocks.add([hop.total()]) {
                    self.heard.push(block);
                }
            }
        }
    }

    /// Loudness in LUFS of what was added; none when less than 400 ms, or nothing above −70 LUFS.
    pub fn integrated_lufs(&self) -> Option<f64> {
        gated_mean(self.heard.iter().copied()).map(|energy| OFFSET_DB + power_to_db(energy))
    }
}
