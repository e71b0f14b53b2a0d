//! Sixth stage: attack and release, on the gain reduction in dB.
//!
//! Giannoulis, Massberg, Reiss, JAES 60(6), 2012, Eq. 16 ("smooth branching"): y follows its target
//! with the attack coefficient while it rises and with the release coefficient while it falls, so
//! that each time is the time to 63.2 % of a step. (Their Eq. 17, smooth decoupled, releases in
//! attack plus release.)
//!
//! Adaptive release lengthens release by how sustained the reduction is. A slow average s follows y
//! with τ = 1 s; u = min(s/y, 1) is near 0 after a lone hit and near 1 once the reduction has
//! lasted. With the adaptive share A (0 to 1)
//!
//!   release coefficient = (1 − α_R) / (1 + 7·A·u²),
//!
//! so that at A = 1 a sustained reduction lets go eight times as slowly as a hit. (u is that of the sample
//! before, so that no sample has to wait for a division.)
//!
//! With a [lookahead](crate::lookahead) the reduction is never less than the line that leads to a hit.
//! Attack and release may be note values; times that change, by hand or with the tempo, glide.
//! Where they stand, without adaptive release and lookahead, samples go two at a time ([`pairs`]).

mod pairs;

use crate::filter::settled;
use crate::frame::{Beside, HOP_S, Lanes, Stereo, in_pairs};
use crate::ramp::Glide;
use crate::settings::{Control, Settings};
use crate::units::one_pole;
use pairs::Pairs;
use wide::f64x2;

/// Time constant of the average that tells a lone hit from sustained reduction, in seconds.
const SUSTAIN_S: f64 = 1.0;

/// How many times longer than set the release gets, beyond once, when fully adaptive.
const LENGTHENING: f64 = 7.0;

/// How long a changed time takes to be the one in use, in seconds.
const TIME_GLIDE_S: f64 = 0.05;

/// A reduction below this counts as none, in dB: far too small to move a gain, and so far above the
/// subnormal range that none gets there within 20 ms.
const EMPTY_DB: f64 = 1e-20;

/// Attack, release and adaptive release of left and right.
#[derive(Debug)]
pub(crate) struct Ballistics {
    rate_hz: f64,
    attack_s: f64,
    release_s: f64,
    adaptive: f64,
    /// Coefficients of attack and release.
    attack: Glide,
    release: Glide,
    sustain: f64,
    envelope: Envelope,
    pairs: Pairs,
}

/// State of left and right, in dB of gain reduction.
#[derive(Debug, Clone, Copy)]
struct Envelope {
    reduction: f64x2,
    sustained: f64x2,
    /// 1/(1 + 7·A·u²): 1 while release is not adaptive.
    quickness: f64x2,
}

impl Default for Envelope {
    fn default() -> Self {
        Self { reduction: f64x2::ZERO, sustained: f64x2::ZERO, quickness: f64x2::ONE }
    }
}

impl Envelope {
    /// Whether left and right move as one.
    #[inline(always)]
    fn is_linked(&self) -> bool {
        [self.reduction, self.sustained, self.quickness]
            .map(f64x2::to_array)
            .iter()
            .all(|x| x[0] == x[1])
    }
}

impl Ballistics {
    pub(crate) fn new() -> Self {
        Self {
            rate_hz: 48_000.0,
            attack_s: 0.0,
            release_s: 0.0,
            adaptive: 0.0,
            attack: Glide::new(1.0),
            release: Glide::new(1.0),
            sustain: 1.0,
            envelope: Envelope::default(),
            pairs: Pairs::new(),
        }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.rate_hz = rate_hz;
        self.sustain = one_pole(SUSTAIN_S, rate_hz);
        let length = (TIME_GLIDE_S * rate_hz) as u32;
        self.attack.set_length(length);
        self.release.set_length(length);
        self.update();
    }

    pub(crate) fn reset(&mut self) {
        self.attack.snap();
        self.release.snap();
        self.envelope = Envelope::default();
        self.pairs.begin(self.envelope.reduction);
    }

    /// Lets go of reductions that have died away. To be called where hops end.
    pub(crate) fn settle(&mut self) {
        let Envelope { reduction, sustained, .. } = &mut self.envelope;
        if self.pairs.on() {
            // Nobody reads the average meanwhile, so it moves by the hop.
            let share = f64x2::splat(one_pole(SUSTAIN_S, 1.0 / HOP_S));
            *sustained += share * (*reduction - *sustained);
        }
        *reduction = settled(*reduction, EMPTY_DB);
        *sustained = settled(*sustained, EMPTY_DB);
        self.pairs.begin(*reduction);
    }

    /// `tempo_bpm` is in quarter notes a minute.
    pub(crate) fn set(&mut self, settings: &Settings, tempo_bpm: Option<f64>) {
        self.attack_s = settings.attack_ms(tempo_bpm) / 1000.0;
        self.release_s = settings.release_ms(tempo_bpm) / 1000.0;
        self.adaptive = f64::from(settings[Control::Adaptive]) / 100.0;
        if self.adaptive == 0.0 {
            self.envelope.quickness = f64x2::ONE;
        }
        self.update();
    }

    fn update(&mut self) {
        self.attack.set(one_pole(self.attack_s, self.rate_hz));
        self.release.set(one_pole(self.release_s, self.rate_hz));
    }

    /// Target reductions become smoothed ones, in place; never less than `least` where it is given.
    /// A step of the work `beside` is done with every other one, and what is left of it comes back.
    #[inline(always)]
    pub(crate) fn process<B: Beside>(
        &mut self,
        reductions: &mut Lanes,
        least: Option<&Lanes>,
        len: usize,
        beside: B,
    ) -> B {
        if len == 0 {
            return beside;
        }
        let adaptive = (self.adaptive > 0.0).then(|| f64x2::splat(LENGTHENING * self.adaptive));
        let linked =
            self.envelope.is_linked() && self.pairs.is_linked() && least.is_none_or(Lanes::alike);
        let least = least.map(|least| least.channels(len));
        let resting = self.attack.resting().zip(self.release.resting());
        if let (Some(shares), None, None, true) = (resting, adaptive, least, self.pairs.on()) {
            let (beside, last) = self.pairs.process(shares, reductions, len, linked, beside);
            self.envelope.reduction = last;
            return beside;
        }
        self.pairs.stop();
        // Each way has a loop of its own; what they compute is the same to the bit.
        match (resting.map(Times::new), adaptive, least) {
            (Some(times), Some(lengthening), None) => self.run(
                reductions,
                len,
                linked,
                beside,
                #[inline(always)]
                |_, envelope, target| times.adaptive(lengthening, envelope, target),
            ),
            (Some(times), None, None) => self.run(
                reductions,
                len,
                linked,
                beside,
                #[inline(always)]
                |_, envelope, target| times.next(None, envelope, target),
            ),
            (Some(times), adaptive, Some(least)) => self.run(
                reductions,
                len,
                linked,
                beside,
                #[inline(always)]
                |i, envelope, target| times.next(adaptive, envelope, target).fast_max(at(least, i)),
            ),
            (None, adaptive, least) => {
                let (mut attack, mut release) = (self.attack.clone(), self.release.clone());
                let beside = self.run(
                    reductions,
                    len,
                    linked,
                    beside,
                    #[inline(always)]
                    |i, envelope, target| {
                        let times = Times::new((attack.next(), release.next()));
                        let y = times.next(adaptive, envelope, target);
                        least.map_or(y, |least| y.fast_max(at(least, i)))
                    },
                );
                (self.attack, self.release) = (attack, release);
                beside
            }
        }
    }

    /// Runs one way to the next reduction, from the number of the sample, the state and the target.
    /// `linked`: left and right are the same but for their targets.
    #[inline(always)]
    fn run<B: Beside>(
        &mut self,
        reductions: &mut Lanes,
        len: usize,
        linked: bool,
        beside: B,
        next: impl FnMut(usize, &mut Envelope, f64x2) -> f64x2,
    ) -> B {
        let sustain = [self.sustain, 1.0 - self.sustain].map(f64x2::splat);
        let mut run = Run { envelope: self.envelope, sustain, next };
        let beside = if linked && reductions.alike() {
            let one = reductions.one(len);
            in_pairs(
                len,
                beside,
                #[inline(always)]
                |i| [one[i], _] = run.step(i, [one[i]; 2]),
            )
        } else {
            let [left, right] = reductions.apart(len);
            in_pairs(
                len,
                beside,
                #[inline(always)]
                |i| [left[i], right[i]] = run.step(i, [left[i], right[i]]),
            )
        };
        self.envelope = run.envelope;
        beside
    }
}

/// A block of one way to the next reduction, in registers while it runs.
struct Run<N> {
    envelope: Envelope,
    sustain: [f64x2; 2],
    next: N,
}

impl<N: FnMut(usize, &mut Envelope, f64x2) -> f64x2> Run<N> {
    #[inline(always)]
    fn step(&mut self, i: usize, target: [f32; 2]) -> [f32; 2] {
        let [new, keep] = self.sustain;
        let envelope = &mut self.envelope;
        envelope.reduction = (self.next)(i, envelope, f64x2::new(target.map(f64::from)));
        envelope.sustained = new * envelope.reduction + keep * envelope.sustained;
        envelope.reduction.to_array().map(|x| x as f32)
    }
}

/// What is kept of the reduction in a sample, and what is taken of the target.
type Way = [f64x2; 2];

/// Attack and release of a sample.
#[derive(Clone, Copy)]
struct Times {
    up: Way,
    down: Way,
    release: f64x2,
    attack_is_shorter: bool,
}

impl Times {
    /// Times of these coefficients, of attack and of release.
    #[inline(always)]
    fn new((attack, release): (f64, f64)) -> Self {
        let way = |share: f64| [1.0 - share, share].map(f64x2::splat);
        Self {
            up: way(attack),
            down: way(release),
            release: f64x2::splat(release),
            attack_is_shorter: attack >= release,
        }
    }

    /// The next reduction, the longer way round for any settings.
    #[inline(always)]
    fn next(&self, adaptive: Option<f64x2>, envelope: &mut Envelope, target: f64x2) -> f64x2 {
        match adaptive {
            Some(lengthening) => self.adaptive(lengthening, envelope, target),
            None if self.attack_is_shorter => self.higher(envelope.reduction, target),
            None => self.lower(envelope.reduction, target),
        }
    }

    /// The next reduction with adaptive release.
    #[inline(always)]
    fn adaptive(&self, lengthening: f64x2, envelope: &mut Envelope, target: f64x2) -> f64x2 {
        let bias = f64x2::splat(EMPTY_DB);
        let y = envelope.reduction.fast_max(bias);
        let share = self.release * envelope.quickness;
        let lasted = envelope.sustained.fast_min(y);
        let square = y * y;
        envelope.quickness = square / (square + lengthening * (lasted * lasted));
        let down = y + share * (target - y) + bias;
        target.simd_gt(y).select(towards(self.up, y, target), down)
    }

    /// The next reduction where attack is the shorter time. Of the two ends that of the larger share is
    /// the nearer to the target: the higher one while y rises, the lower one while it falls. So if that
    /// share is the attack's, the right end is always the higher one, and otherwise always the lower.
    #[inline(always)]
    fn higher(&self, y: f64x2, target: f64x2) -> f64x2 {
        towards(self.up, y, target).fast_max(towards(self.down, y, target))
    }

    /// The next reduction where release is the shorter time.
    #[inline(always)]
    fn lower(&self, y: f64x2, target: f64x2) -> f64x2 {
        towards(self.up, y, target).fast_min(towards(self.down, y, target))
    }
}

#[inline(always)]
fn towards([keep, new]: Way, y: f64x2, target: f64x2) -> f64x2 {
    new * target + keep * y
}

/// Left and right of a sample.
#[inline(always)]
fn at(lanes: Stereo<'_>, i: usize) -> f64x2 {
    f64x2::new([lanes[0][i], lanes[1][i]].map(f64::from))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::CHUNK;

    fn ballistics(rate_hz: f64, attack_ms: f32, release_ms: f32, adaptive: f32) -> Ballistics {
        let mut ballistics = Ballistics::new();
        ballistics.prepare(rate_hz);
        ballistics.set(
            &Settings::default()
                .with(Control::Attack, attack_ms)
                .with(Control::Release, release_ms)
                .with(Control::Adaptive, adaptive),
            None,
        );
        ballistics.reset();
        ballistics
    }

    /// Feeds a constant target for one sample; the left channel's reduction.
    fn next(ballistics: &mut Ballistics, target: f32) -> f32 {
        let mut lanes = Lanes::new();
        lanes.one(1)[0] = target;
        ballistics.process(&mut lanes, None, 1, ());
        lanes.channels(1)[0][0]
    }

    /// Time in samples, interpolated on the exponential, until a movement from `from` towards `to`
    /// has covered 1 − 1/e.
    fn time_to_63_percent(ballistics: &mut Ballistics, from: f64, to: f64) -> f64 {
        let remaining = |y: f32| (f64::from(y) - to) / (from - to);
        let goal = (-1f64).exp();
        let mut before = 1.0;
        for n in 1.. {
            let after = remaining(next(ballistics, to as f32));
            if after <= goal {
                let into_last = (before / goal).ln() / (before / after).ln();
                return f64::from(n - 1) + into_last;
            }
            before = after;
        }
        unreachable!()
    }

    #[test]
    fn release_that_is_adaptive_no_more_leaves_nothing_between_the_channels() {
        let mut b = ballistics(48_000.0, 10.0, 100.0, 50.0);
        let mut lanes = Lanes::new();
        [lanes.renew(1)[0][0], lanes.renew(1)[1][0]] = [6.0, 3.0];
        b.process(&mut lanes, None, 1, ());
        assert!(!b.envelope.is_linked());
        b.set(&Settings::default(), None);
        // A minute of silence.
        for _ in 0..60 * 48_000 / CHUNK {
            lanes.one(CHUNK).fill(0.0);
            b.process(&mut lanes, None, CHUNK, ());
            b.settle();
        }
        assert!(b.envelope.is_linked(), "the channels never meet: {:?}", b.envelope);
    }

    /// The definition of a time constant in JAES 60(6), Eq. 7.
    #[test]
    fn attack_and_release_are_the_times_to_63_percent_of_a_step() {
        for rate in [8_000.0, 44_100.0, 48_000.0, 192_000.0, 768_000.0] {
            for (attack_ms, release_ms) in
                [(0.05, 5.0), (1.0, 50.0), (10.0, 150.0), (250.0, 5.0), (30.0, 2_500.0)]
            {
                let mut b = ballistics(rate, attack_ms, release_ms, 0.0);
                let attack = time_to_63_percent(&mut b, 0.0, 12.0) / rate * 1000.0;
                assert!(
                    (attack / f64::from(attack_ms) - 1.0).abs() < 0.01,
                    "{attack_ms} ms at {rate}: {attack}"
                );
                b.envelope = Envelope { reduction: f64x2::splat(12.0), ..Envelope::default() };
                b.settle();
                let release = time_to_63_percent(&mut b, 12.0, 0.0) / rate * 1000.0;
                assert!(
                    (release / f64::from(release_ms) - 1.0).abs() < 0.01,
                    "{release_ms} ms at {rate}: {release}"
                );
            }
        }
    }

    /// Worked step computed from JAES 60(6), Eq. 16, in double precision: 0 to 12 dB for 500 ms, then
    /// 0; attack 10 ms, release 100 ms, 48 kHz.
    #[test]
    fn a_step_runs_as_smooth_branching_prescribes() {
        let mut b = ballistics(48_000.0, 10.0, 100.0, 0.0);
        let mut at = |target: f32, ms: u32| (0..ms * 48).fold(0.0, |_, _| next(&mut b, target));
        let attack = [at(12.0, 10), at(12.0, 10), at(12.0, 10), at(12.0, 20)];
        for (got, printed) in attack.into_iter().zip([7.5854, 10.3760, 11.4026, 11.9191]) {
            assert!((got - printed).abs() < 0.001, "{got}, printed {printed}");
        }
        at(12.0, 450);
        let release = [at(0.0, 100), at(0.0, 100)];
        for (got, printed) in release.into_iter().zip([4.4146, 1.6240]) {
            assert!((got - printed).abs() < 0.001, "{got}, printed {printed}");
        }
    }

    /// Half way through the glide the time in use is about the geometric mean of the two.
    #[test]
    fn a_changed_time_glides_and_arrives() {
        let mut b = ballistics(48_000.0, 10.0, 40.0, 0.0);
        b.set(&Settings::default().with(Control::Release, 2_500.0), None);
        let mut fall_db = |samples: usize| {
            (0..samples).for_each(|_| {
                next(&mut b, 0.0);
            });
            b.envelope.reduction = f64x2::splat(12.0);
            12.0 - f64::from(next(&mut b, 0.0))
        };
        let ms = |fall_db: f64| 12.0 / fall_db / 48.0;
        let times = [ms(fall_db(0)), ms(fall_db(1_199)), ms(fall_db(1_199)), ms(fall_db(100))];
        for (got, expected) in times.into_iter().zip([40.0, 316.2, 2_500.0, 2_500.0]) {
            assert!((got / expected - 1.0).abs() < 0.02, "{times:?}");
        }
    }

    #[test]
    fn adaptive_release_is_longer_under_sustained_reduction_and_short_after_a_lone_hit() {
        let release_after = |hit_ms: u32, adaptive: f32| {
            let mut b = ballistics(48_000.0, 1.0, 100.0, adaptive);
            let from = (0..hit_ms * 48).fold(0.0, |_, _| next(&mut b, 6.0));
            time_to_63_percent(&mut b, from.into(), 0.0) / 48.0
        };
        let (lone, sustained) = (release_after(30, 100.0), release_after(4_000, 100.0));
        assert!(lone < 120.0, "after a hit of 30 ms: {lone} ms");
        assert!(sustained > 600.0, "after 4 s: {sustained} ms");
        let half = release_after(4_000, 50.0);
        assert!(half > 300.0 && half < sustained, "at 50 %: {half} ms");
        assert!((release_after(4_000, 0.0) - 100.0).abs() < 1.0);
    }

    #[test]
    fn release_that_becomes_adaptive_knows_what_has_lasted() {
        let mut b = ballistics(48_000.0, 1.0, 100.0, 0.0);
        for _ in 0..200 {
            (0..960).for_each(|_| {
                next(&mut b, 6.0);
            });
            b.settle();
        }
        let settings = Settings::default().with(Control::Attack, 1.0);
        b.set(&settings.with(Control::Release, 100.0).with(Control::Adaptive, 100.0), None);
        let release = time_to_63_percent(&mut b, 6.0, 0.0) / 48.0;
        assert!(release > 600.0, "after 4 s: {release} ms");
    }
}
