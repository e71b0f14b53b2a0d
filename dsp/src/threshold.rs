//! Find threshold: the threshold at which the gain reduction has a wanted typical maximum.
//!
//! # Typical maximum
//!
//! People read a swinging needle by how far it usually goes. The typical maximum is the largest
//! reduction within a second, averaged over the seconds, but for the quarter of them with the least
//! and the quarter with the most. Seconds begin every tenth of a second. Only those with signal
//! count, in which the level behind detector and link rose above the lowest threshold there is. So
//! pauses, a quiet bar and a single loud hit leave the figure where it was; and since it averages, it
//! does not jump when an accent falls into just half of all seconds, as a median would.
//!
//! # Search
//!
//! The level behind the link does not depend on the threshold. So the programme is measured once, and
//! [`Levels::find`] replays curve, lookahead and ballistics, the very stages of the engine. The typical
//! maximum grows as the threshold falls, and the search halves the range down to the last digit that is shown.
//! Nothing here is for the audio thread.

use std::collections::VecDeque;

use crate::frame::{CHUNK, Lanes, hop_length};
use crate::reduction::Reduction;
use crate::registers::Registers;
use crate::settings::{Control, Settings};

/// Typical maximum reductions that a threshold can be sought for, dB.
pub const TARGETS_DB: std::ops::RangeInclusive<f32> = 0.5..=12.0;

/// Controls that shape the level: what was measured before one of them moved is of no use.
pub const LEVEL_CONTROLS: [Control; 5] = [
    Control::InputTrim,
    Control::KeySource,
    Control::KeyHighpass,
    Control::DetectorWindow,
    Control::StereoLink,
];

/// Controls that shape the gain reduction at a level.
pub const REDUCTION_CONTROLS: [Control; 10] = [
    Control::Threshold,
    Control::Ratio,
    Control::Knee,
    Control::Range,
    Control::Lookahead,
    Control::Attack,
    Control::AttackNote,
    Control::Release,
    Control::ReleaseNote,
    Control::Adaptive,
];

/// Notes taken in a second.
const STEPS: usize = 10;
/// Least time with signal that anything can be said of, seconds.
const LEAST_S: f32 = 2.0;
/// The threshold is sought in steps of this part of a decibel, the last digit that is shown.
const PARTS: f32 = 100.0;

/// The lowest threshold: no signal beneath it can be reduced.
const FLOOR_DB: f32 = Control::Threshold.spec().min;

fn frames(rate_hz: f64, seconds: f64) -> usize {
    ((rate_hz * seconds).round() as usize).max(1)
}

/// Follows the typical maximum of the gain reduction: the largest within a second, averaged over the
/// seconds, but for the quarter of them with the least and the quarter with the most. Seconds in
/// which the level stayed below −60 dB do not count.
///
/// Grows as it listens unless it is bounded, so it is not for the audio thread.
#[derive(Debug, Clone)]
pub struct TypicalReduction {
    step: usize,
    into_step: usize,
    /// Highest level and largest reduction since the step began, dB.
    now: (f32, f32),
    /// The same of the last steps.
    steps: VecDeque<(f32, f32)>,
    notes: VecDeque<f32>,
    most: usize,
}

impl TypicalReduction {
    /// Over all that is added, at a sample rate in Hz.
    pub fn of_all(rate_hz: f64) -> Self {
        Self {
            step: frames(rate_hz, 1.0 / STEPS as f64),
            into_step: 0,
            now: (f32::NEG_INFINITY, 0.0),
            steps: VecDeque::with_capacity(STEPS),
            notes: VecDeque::new(),
            most: usize::MAX,
        }
    }

    /// Over the last seconds with signal.
    pub fn of_last(rate_hz: f64, seconds: f64) -> Self {
        let most = frames(STEPS as f64, seconds);
        Self { most, ..Self::of_all(rate_hz) }
    }

    /// Adds frames: level and gain reduction, left and right, in dB, as the engine's
    /// [tap](crate::Tapped) has them; all of one length.
    pub fn add(&mut self, [level_left, level_right]: [&[f32]; 2], [left, right]: [&[f32]; 2]) {
        let levels = level_left.iter().zip(level_right);
        for ((level_left, level_right), (left, right)) in levels.zip(left.iter().zip(right)) {
            let (level, reduction) = &mut self.now;
            *level = level.max(level_left.max(*level_right));
            *reduction = reduction.max(left.max(*right));
            self.into_step += 1;
            if self.into_step == self.step {
                self.end_step();
            }
        }
    }

    fn end_step(&mut self) {
        self.into_step = 0;
        if self.steps.len() == STEPS {
            self.steps.pop_front();
        }
        self.steps.push_back(std::mem::replace(&mut self.now, (f32::NEG_INFINITY, 0.0)));
        if self.steps.len() < STEPS {
            return;
        }
        let (level, reduction) = self
            .steps
            .iter()
            .fold((f32::NEG_INFINITY, 0.0), |(level, reduction): (f32, f32), s| {
                (level.max(s.0), reduction.max(s.1))
            });
        if level > FLOOR_DB {
            if self.notes.len() == self.most {
                self.notes.pop_front();
            }
            self.notes.push_back(reduction);
        }
    }

    /// Seconds with signal.
    fn signal_s(&self) -> f32 {
        let steps = match self.notes.len() {
            // The first note is taken when a second is over.
            0 => self.steps.iter().filter(|(level, _)| *level > FLOOR_DB).count(),
            notes => notes + STEPS - 1,
        };
        steps as f32 / STEPS as f32
    }

    /// The typical maximum in dB; none before there were 2 s with signal.
    pub fn reading_db(&self) -> Option<f32> {
        if self.signal_s() < LEAST_S {
            return None;
        }
        let mut notes: Vec<f32> = self.notes.iter().copied().collect();
        notes.sort_unstable_by(f32::total_cmp);
        let left_out = notes.len() / 4;
        let middle = &notes[left_out..notes.len() - left_out];
        let sum: f64 = middle.iter().map(|note| f64::from(*note)).sum();
        Some((sum / middle.len() as f64) as f32)
    }
}

/// A threshold that was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// The threshold, in whole hundredths of a dB.
    pub threshold_db: f32,
    /// The typical maximum of the gain reduction at it, dB.
    pub typical_db: f32,
}

/// Why no threshold was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FindError {
    /// No typical maximum to look for.
    Target {
        /// What was asked for, dB.
        target_db: f32,
    },
    /// Nothing rises above the lowest threshold.
    Silent,
    /// There is too little signal to say what is typical of it.
    TooShort {
        /// Seconds with signal.
        signal_s: f32,
    },
    /// The ratio is 1, which never reduces.
    NoRatio,
    /// The range does not let the reduction grow as far.
    Range {
        /// The range, dB.
        range_db: f32,
    },
    /// Even the lowest threshold gives less.
    TooLittle {
        /// The typical maximum there, dB.
        most_db: f32,
    },
    /// Even the highest threshold gives more.
    TooMuch {
        /// The typical maximum there, dB.
        least_db: f32,
    },
}

impl std::fmt::Display for FindError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let threshold = Control::Threshold.spec();
        match *self {
            Self::Target { target_db } => write!(
                f,
                "a typical maximum reduction of {target_db} dB cannot be looked for; it must lie between {} and {} dB",
                TARGETS_DB.start(),
                TARGETS_DB.end()
            ),
            Self::Silent => write!(
                f,
                "nothing rises above {FLOOR_DB} dB, the lowest threshold; if there is sound, raise the input trim or lower the key high-pass"
            ),
            Self::TooShort { signal_s } => write!(
                f,
                "there are {signal_s:.1} s with signal, and {LEAST_S} s are needed to tell what is typical"
            ),
            Self::NoRatio => write!(f, "a ratio of 1 never reduces; raise the ratio"),
            Self::Range { range_db } => write!(
                f,
                "the range stops every reduction at {range_db:.2} dB; raise the range above what you want"
            ),
            Self::TooLittle { most_db } => write!(
                f,
                "even at {} dB it is {most_db:.2} dB; raise the ratio or the input trim, or shorten the attack",
                threshold.min
            ),
            Self::TooMuch { least_db } => write!(
                f,
                "even at {} dB it is {least_db:.2} dB; lower the input trim, the ratio or the knee",
                threshold.max
            ),
        }
    }
}

impl std::error::Error for FindError {}

/// Levels behind detector and link, as the gain computer sees them, for finding a threshold.
///
/// Takes 8 bytes a frame and grows as it listens, so it is not for the audio thread.
#[derive(Debug, Clone)]
pub struct Levels {
    rate_hz: f64,
    levels: [VecDeque<f32>; 2],
    most: usize,
    /// Frames since the level was last above the lowest threshold.
    quiet: usize,
}

impl Levels {
    /// Levels of all that is added, at a sample rate in Hz.
    pub fn of_all(rate_hz: f64) -> Self {
        Self { rate_hz, levels: Default::default(), most: usize::MAX, quiet: 0 }
    }

    /// Levels of the last seconds with signal: of a pause the first second is kept, in which the gain
    /// comes back.
    pub fn of_last(rate_hz: f64, seconds: f64) -> Self {
        Self { most: frames(rate_hz, seconds), ..Self::of_all(rate_hz) }
    }

    /// Adds frames: levels of left and right in dB, as the engine's [tap](crate::Tapped) has them; of
    /// one length.
    pub fn add(&mut self, [left, right]: [&[f32]; 2]) {
        let [all_left, all_right] = &mut self.levels;
        if self.most == usize::MAX {
            all_left.extend(left);
            all_right.extend(right);
            return;
        }
        let pause = frames(self.rate_hz, 1.0);
        for (&left, &right) in left.iter().zip(right) {
            self.quiet = if left.max(right) > FLOOR_DB { 0 } else { self.quiet + 1 };
            if self.quiet <= pause {
                all_left.push_back(left);
                all_right.push_back(right);
            }
        }
        for levels in &mut self.levels {
            levels.drain(..levels.len().saturating_sub(self.most));
        }
    }

    /// Finds the threshold at which these levels have a typical maximum reduction of `target_db`, the
    /// other settings being as they are. Of all that was added it is exact when the engine plays that
    /// from a reset, as a render does. The last seconds are taken as a passage that goes round.
    ///
    /// # Errors
    /// [`FindError`] when the target lies outside [`TARGETS_DB`], when there is too little signal, and
    /// when no threshold has this typical maximum.
    pub fn find(
        &mut self,
        settings: &Settings,
        tempo_bpm: Option<f64>,
        target_db: f32,
    ) -> Result<Found, FindError> {
        if !TARGETS_DB.contains(&target_db) {
            return Err(FindError::Target { target_db });
        }
        let threshold = Control::Threshold.spec();
        let [mut lower, mut upper] = [threshold.min, threshold.max].map(|db| (db * PARTS) as i32);
        let (mut at_lower, mut at_upper) =
            (self.typical(settings, tempo_bpm, lower)?, self.typical(settings, tempo_bpm, upper)?);
        if at_lower < target_db {
            let range_db = settings[Control::Range];
            return Err(if settings[Control::Ratio] == 1.0 {
                FindError::NoRatio
            } else if range_db <= target_db {
                FindError::Range { range_db }
            } else {
                FindError::TooLittle { most_db: at_lower }
            });
        }
        if at_upper > target_db {
            return Err(FindError::TooMuch { least_db: at_upper });
        }
        while upper - lower > 1 {
            let middle = i32::midpoint(lower, upper);
            let at_middle = self.typical(settings, tempo_bpm, middle)?;
            if at_middle < target_db {
                (upper, at_upper) = (middle, at_middle);
            } else {
                (lower, at_lower) = (middle, at_middle);
            }
        }
        let nearer = if at_lower - target_db < target_db - at_upper {
            (lower, at_lower)
        } else {
            (upper, at_upper)
        };
        Ok(Found { threshold_db: nearer.0 as f32 / PARTS, typical_db: nearer.1 })
    }

    /// The typical maximum at a threshold.
    fn typical(
        &mut self,
        settings: &Settings,
        tempo_bpm: Option<f64>,
        parts: i32,
    ) -> Result<f32, FindError> {
        let settings = settings.with(Control::Threshold, parts as f32 / PARTS);
        let (registers, hop) = (Registers::widest(), hop_length(self.rate_hz) as usize);
        let mut reduction = Reduction::new();
        reduction.prepare(self.rate_hz);
        reduction.set(&settings, tempo_bpm);
        reduction.take_up();
        reduction.reset();
        let mut typical = TypicalReduction::of_all(self.rate_hz);
        let [left, right] = self.levels.each_mut().map(VecDeque::make_contiguous);
        let (mut levels, mut reductions) = (Lanes::new(), Lanes::new());
        // The last seconds are a passage that is played again, and the gain knows it from before.
        let before = usize::from(self.most != usize::MAX);
        for pass in 0..=before {
            for (left, right) in left.chunks(hop).zip(right.chunks(hop)) {
                for (left, right) in left.chunks(CHUNK).zip(right.chunks(CHUNK)) {
                    let len = left.len();
                    if left == right {
                        levels.one(len).copy_from_slice(left);
                    } else {
                        let [to_left, to_right] = levels.renew(len);
                        to_left.copy_from_slice(left);
                        to_right.copy_from_slice(right);
                    }
                    reduction.process(&levels, &mut reductions, len, (), registers);
                    if pass == before {
                        typical.add([left, right], reductions.channels(len));
                    }
                }
                // Where a passage goes round, its last hop may be a short one.
                reduction.settle();
            }
        }
        typical.reading_db().ok_or_else(|| {
            let long_enough = left.len() as f64 >= self.rate_hz * f64::from(LEAST_S);
            match typical.signal_s() {
                signal_s if signal_s == 0.0 && long_enough => FindError::Silent,
                signal_s => FindError::TooShort { signal_s },
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 1_000.0;

    /// Seconds of a reduction each, at a level well above the floor.
    fn typical_of(seconds: &[f32]) -> Option<f32> {
        let mut typical = TypicalReduction::of_all(RATE_HZ);
        for &reduction in seconds {
            let (levels, reductions) = (vec![-10.0; 1_000], vec![reduction; 1_000]);
            typical.add([&levels, &levels], [&reductions, &vec![0.0; 1_000]]);
        }
        typical.reading_db()
    }

    #[test]
    fn typical_is_the_mean_of_what_most_seconds_reach() {
        assert_eq!(typical_of(&[2.0; 5]), Some(2.0));
        let mut seconds = [2.0; 12];
        seconds[5] = 9.0;
        assert_eq!(typical_of(&seconds), Some(2.0), "a lone hit");
        seconds[5] = 0.0;
        assert_eq!(typical_of(&seconds), Some(2.0), "a quiet second");
        // Of 51 seconds, a tenth apart, 21 lie within the first three; 12 are left out at each end, so
        // that of the 27 between 9 are small.
        let typical_db = typical_of(&[1.0, 1.0, 1.0, 3.0, 3.0, 3.0]).expect("6 s are enough");
        assert!((typical_db - (9.0 * 1.0 + 18.0 * 3.0) / 27.0).abs() < 1e-6, "{typical_db}");
        assert_eq!(typical_of(&[1.0]), None, "too short to be typical");
    }

    #[test]
    fn a_second_counts_the_larger_of_both_channels_wherever_it_is_cut() {
        let reductions: Vec<f32> =
            (0..4_000u32).map(|n| (n * 7_919 % 1_000) as f32 / 200.0).collect();
        let levels = vec![-20.0; 4_000];
        let of = |block: usize, swapped: bool| {
            let mut typical = TypicalReduction::of_all(RATE_HZ);
            for (levels, reductions) in levels.chunks(block).zip(reductions.chunks(block)) {
                let none = vec![0.0; reductions.len()];
                let pair = if swapped { [&none[..], reductions] } else { [reductions, &none] };
                typical.add([levels, levels], pair);
            }
            typical.reading_db()
        };
        assert!(of(4_000, false).is_some());
        for block in [1, 7, 64, 999] {
            assert_eq!(of(block, false), of(4_000, false));
            assert_eq!(of(block, true), of(4_000, false));
        }
    }

    #[test]
    fn time_without_signal_does_not_count() {
        let mut typical = TypicalReduction::of_all(RATE_HZ);
        let play = |typical: &mut TypicalReduction, level: f32, reduction: f32, frames: usize| {
            typical.add(
                [&vec![level; frames]; 2].map(|x| &x[..]),
                [&vec![reduction; frames]; 2].map(|x| &x[..]),
            );
        };
        play(&mut typical, -12.0, 2.0, 3_000);
        play(&mut typical, -90.0, 0.0, 60_000);
        assert_eq!(typical.reading_db(), Some(2.0));
        let mut last = TypicalReduction::of_last(RATE_HZ, 4.0);
        play(&mut last, -12.0, 2.0, 30_000);
        play(&mut last, -12.0, 5.0, 3_000);
        play(&mut last, -90.0, 0.0, 60_000);
        assert_eq!(last.reading_db(), Some(5.0), "the last 4 s with signal");
    }

    /// Levels that step between two values: four times a second up for 50 ms.
    fn hits(seconds: usize) -> Levels {
        let mut levels = Levels::of_all(RATE_HZ);
        let channel: Vec<f32> =
            (0..seconds * 1_000).map(|n| if n % 250 < 50 { -10.0 } else { -30.0 }).collect();
        levels.add([&channel, &channel]);
        levels
    }

    /// Steady level L, no knee: the reduction settles at (L − T)·(1 − 1/R).
    #[test]
    fn a_steady_level_needs_the_threshold_of_the_closed_form() {
        let mut levels = Levels::of_all(RATE_HZ);
        levels.add([&vec![-20.0; 5_000], &vec![-12.0; 5_000]]);
        for (target_db, ratio) in [(0.5, 2.0), (2.0, 4.0), (3.0, 1.5), (12.0, 20.0)] {
            let settings = Settings::default().with(Control::Ratio, ratio).with(Control::Knee, 0.0);
            let found = levels.find(&settings, None, target_db).expect("within reach");
            let expected = -12.0 - target_db / (1.0 - 1.0 / ratio);
            assert!((found.threshold_db - expected).abs() < 0.011, "{target_db}: {found:?}");
            assert!((found.typical_db - target_db).abs() < 0.01, "{target_db}: {found:?}");
        }
    }

    #[test]
    fn what_cannot_be_found_says_why() {
        let settings = Settings::default();
        let error = |levels: &mut Levels, settings: &Settings, target_db| {
            levels.find(settings, None, target_db).expect_err("nothing to find")
        };
        for target_db in [0.4, 12.1, f32::NAN] {
            assert!(matches!(error(&mut hits(5), &settings, target_db), FindError::Target { .. }));
        }
        assert_eq!(error(&mut hits(1), &settings, 2.0), FindError::TooShort { signal_s: 1.0 });
        let mut silent = Levels::of_all(RATE_HZ);
        assert_eq!(error(&mut silent, &settings, 2.0), FindError::TooShort { signal_s: 0.0 });
        silent.add([&vec![-61.0; 9_000], &vec![-99.0; 9_000]]);
        assert_eq!(error(&mut silent, &settings, 2.0), FindError::Silent);
        let no_ratio = settings.with(Control::Ratio, 1.0);
        assert_eq!(error(&mut hits(5), &no_ratio, 2.0), FindError::NoRatio);
        let no_range = settings.with(Control::Range, 1.5);
        assert_eq!(error(&mut hits(5), &no_range, 2.0), FindError::Range { range_db: 1.5 });
        let slow = settings.with(Control::Ratio, 1.1).with(Control::Attack, 250.0);
        assert!(
            matches!(error(&mut hits(5), &slow, 12.0), FindError::TooLittle { most_db } if most_db > 0.0)
        );
        let mut hot = Levels::of_all(RATE_HZ);
        hot.add([&vec![20.0; 5_000], &vec![20.0; 5_000]]);
        assert!(
            matches!(error(&mut hot, &settings, 2.0), FindError::TooMuch { least_db } if least_db > 9.0)
        );
    }

    #[test]
    fn the_last_seconds_leave_out_pauses_and_what_is_long_past() {
        let settings = Settings::default();
        let mut kept = Levels::of_last(RATE_HZ, 10.0);
        let loud = vec![-3.0; 20_000];
        kept.add([&loud, &loud]);
        let [left, right] = hits(12).levels;
        let (left, right): (Vec<f32>, Vec<f32>) = (left.into(), right.into());
        for (left, right) in left.chunks(77).zip(right.chunks(77)) {
            kept.add([left, right]);
        }
        let silence = vec![-120.0; 30_000];
        kept.add([&silence, &silence]);
        assert!(kept.levels.iter().all(|levels| levels.len() == 10_000));
        let kept = kept.find(&settings, None, 2.0).expect("within reach");
        let whole = hits(10).find(&settings, None, 2.0).expect("within reach");
        assert!((kept.threshold_db - whole.threshold_db).abs() < 0.05, "{kept:?}, {whole:?}");
    }
}
