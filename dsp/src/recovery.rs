//! The groove of the release in two figures: how long the gain needs to come back after a hit, and how
//! much of the reduction is left at the next beat. Both are taken from the reduction as it was, so
//! they hold with adaptive release, lookahead and any programme.
//!
//! A hit is a rise of the reduction by at least 0.2 dB and a tenth of the reduction. Its last maximum is
//! where the time begins; it ends when the reduction has come back by 63.2 % (to 1/e) of the maximum,
//! or when the next hit comes first, or after 10 s. What is left at a beat is the least reduction of
//! the quarter of a beat before it, so that a hit on the beat, ahead of it, or seen ahead, does not
//! count as left; it is read at the first beat at least that quarter after a hit.

use crate::frame::{CHUNK, Stereo, is_one_lane, larger, one_of};

/// Least rise that is a hit, dB, and as a part of the reduction it leads to.
const HIT_DB: f32 = 0.2;
const HIT_SHARE: f32 = 0.1;
/// What is left when 63.2 % have come back.
const LEFT: f32 = 0.367_879_44;
/// The part of a beat before the next one in which the least reduction is taken.
const BEFORE_BEAT: f64 = 0.25;
/// Beats by which a position may differ from the one expected without being a jump: hosts round.
const SAME_PLACE: f64 = 0.05;
/// Most beats in a second; more is no music.
const MOST_PER_S: f64 = 100.0;

/// Samples that are looked at together where a whole block cannot be: where nothing begins or ends, their
/// extremes say it all.
const RUN: usize = 32;

/// Where the song is, and how fast it goes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beat {
    /// Beats since the song began or since any beat.
    pub position: f64,
    /// Beats in a second.
    pub per_s: f64,
}

/// What became of the gain after a hit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recovery {
    /// Time from the last maximum of the reduction until the gain had come back 63 %, or until it was
    /// no longer followed, in seconds.
    pub seconds: f32,
    /// Whether it came back; if not, the next hit came first, or 10 s went by.
    pub came_back: bool,
}

impl Recovery {
    /// How long a hit is followed, in seconds.
    pub const LONGEST_S: f64 = 10.0;
}

/// Figures of all hits since the peaks were cleared.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Totals {
    pub(crate) hits: u32,
    pub(crate) came_back: u32,
    seconds: f64,
    beats: u32,
    left_db: f64,
}

impl Totals {
    /// Mean time of the hits after which the gain came back, in seconds.
    pub(crate) fn mean_s(&self) -> Option<f32> {
        (self.came_back > 0).then(|| (self.seconds / f64::from(self.came_back)) as f32)
    }

    /// Mean of what was left at beats, dB.
    pub(crate) fn left_db(&self) -> Option<f32> {
        (self.beats > 0).then(|| (self.left_db / f64::from(self.beats)) as f32)
    }
}

/// Follows the reduction, sample by sample.
#[derive(Debug)]
pub(crate) struct RecoveryMeter {
    rate_hz: f64,
    /// The maximum of the hit that is followed; none while none is.
    peak_db: Option<f32>,
    /// Least reduction since the last hit.
    trough_db: f32,
    /// Samples since the maximum, and until the trough.
    since: u64,
    until_trough: u64,
    last: Option<Recovery>,
    totals: Totals,
    /// Where the song was within a beat `passed` samples ago, less the beats since, and how fast it
    /// goes. Counted and not summed up, so that it is the same however the samples are taken.
    beat: Option<Beat>,
    passed: u64,
    /// Whether there was a hit since the last reading at a beat.
    hit_waits: bool,
    /// Least reduction of the quarter before the next beat, once in it after a hit.
    least_db: Option<f32>,
    left_db: Option<f32>,
}

impl RecoveryMeter {
    pub(crate) fn new() -> Self {
        Self {
            rate_hz: 48_000.0,
            peak_db: None,
            trough_db: 0.0,
            since: 0,
            until_trough: 0,
            last: None,
            totals: Totals::default(),
            beat: None,
            passed: 0,
            hit_waits: false,
            least_db: None,
            left_db: None,
        }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.rate_hz = rate_hz;
    }

    /// Forgets the signal; the song stays where it is.
    pub(crate) fn reset(&mut self) {
        let Self { rate_hz, beat, passed, .. } = *self;
        *self = Self { rate_hz, beat, passed, ..Self::new() };
    }

    pub(crate) fn clear(&mut self) {
        self.totals = Totals::default();
    }

    /// Says where the song is at the next sample that the meter sees.
    pub(crate) fn set_beat(&mut self, beat: Option<Beat>) {
        let sound = beat
            .filter(|b| b.position.is_finite() && b.per_s > 0.0 && b.per_s <= MOST_PER_S)
            .map(|beat| Beat { position: beat.position - beat.position.floor(), ..beat });
        let Some((now, new)) = self.beat.zip(sound) else {
            (self.beat, self.passed, self.least_db) = (sound, 0, None);
            return;
        };
        let position = self.position(now, self.passed);
        let difference = new.position - position;
        let step = difference - difference.round();
        if step.abs() > SAME_PLACE {
            self.least_db = None;
        } else if step > 0.0 {
            // Beats that the small correction goes over are not missed.
            self.go_over(position, position + step, None);
        }
        (self.beat, self.passed) = (Some(new), 0);
    }

    /// Where the song is so many samples later, in beats.
    #[inline(always)]
    fn position(&self, beat: Beat, samples: u64) -> f64 {
        beat.position + samples as f64 * (beat.per_s / self.rate_hz)
    }

    #[inline(always)]
    pub(crate) fn process(&mut self, [left, right]: Stereo<'_>) {
        if is_one_lane([left, right]) {
            return self.take(left);
        }
        let mut louder = [0.0; CHUNK];
        for ((x, &l), &r) in louder.iter_mut().zip(left).zip(right) {
            *x = larger(l, r);
        }
        self.take(&louder[..left.len()]);
    }

    /// Takes in a block: all at once, or in runs, or one by one.
    #[inline(always)]
    fn take(&mut self, reductions: &[f32]) {
        if self.take_together(reductions) {
            return;
        }
        for run in reductions.chunks(RUN) {
            if !self.take_together(run) {
                run.iter().for_each(|&reduction_db| self.next(reduction_db));
            }
        }
    }

    /// Takes in samples at once, if that can be done.
    #[inline(always)]
    fn take_together(&mut self, run: &[f32]) -> bool {
        let len = run.len() as u64;
        let can = self.stays_within_beat(len) && self.follow_run(run);
        if can && self.beat.is_some() {
            self.passed += len;
        }
        can
    }

    /// Takes in one sample.
    fn next(&mut self, reduction_db: f32) {
        self.follow(reduction_db);
        if let Some(least_db) = &mut self.least_db {
            *least_db = least_db.min(reduction_db);
        }
        if let Some(beat) = self.beat {
            let [from, to] = [0, 1].map(|more| self.position(beat, self.passed + more));
            self.passed += 1;
            self.go_over(from, to, Some(reduction_db));
        }
    }

    /// Whether neither a beat nor the quarter before it begins within the next samples.
    #[inline(always)]
    fn stays_within_beat(&self, samples: u64) -> bool {
        self.beat.is_none_or(|beat| {
            let [from, to] = [0, samples].map(|more| self.position(beat, self.passed + more));
            to < if from < 1.0 - BEFORE_BEAT { 1.0 - BEFORE_BEAT } else { 1.0 }
        })
    }

    /// Takes in a run of samples at once, if it can be said of all of them that no hit begins, none
    /// ends, and none comes to a new maximum but by rising all the time. The result is that of taking
    /// them in one by one.
    #[inline(always)]
    fn follow_run(&mut self, run: &[f32]) -> bool {
        let [low_db, high_db] = extremes(run);
        let trough_db = self.trough_db.min(low_db);
        let may_hit = high_db > trough_db + HIT_DB;
        if let Some(peak_db) = self.peak_db {
            if self.since == 0 && run[0] >= peak_db && rises(run) {
                self.begin(high_db);
            } else {
                let since = self.since + run.len() as u64;
                let may_end = low_db <= LEFT * peak_db || self.is_longest(since);
                if may_hit || may_end || high_db >= peak_db {
                    return false;
                }
                if low_db < self.trough_db {
                    let before = place_of(run, low_db) as u64;
                    (self.trough_db, self.until_trough) = (low_db, self.since + before + 1);
                }
                self.since = since;
            }
        } else if may_hit {
            return false;
        } else {
            self.trough_db = trough_db;
        }
        if let Some(least_db) = &mut self.least_db {
            *least_db = least_db.min(low_db);
        }
        true
    }

    #[inline(always)]
    fn is_longest(&self, samples: u64) -> bool {
        samples as f64 >= Recovery::LONGEST_S * self.rate_hz
    }

    fn follow(&mut self, reduction_db: f32) {
        let hit = |trough_db: f32| reduction_db > trough_db + HIT_DB.max(HIT_SHARE * reduction_db);
        let Some(peak_db) = self.peak_db else {
            self.trough_db = self.trough_db.min(reduction_db);
            if hit(self.trough_db) {
                self.begin(reduction_db);
            }
            return;
        };
        // Right after the maximum it may still rise by as much as it likes.
        if self.since > 0 && hit(self.trough_db) {
            self.end(self.until_trough, false);
            self.begin(reduction_db);
            return;
        }
        if reduction_db >= peak_db {
            self.begin(reduction_db);
            return;
        }
        self.since += 1;
        if reduction_db < self.trough_db {
            (self.trough_db, self.until_trough) = (reduction_db, self.since);
        }
        if reduction_db <= LEFT * peak_db {
            self.end(self.since, true);
        } else if self.is_longest(self.since) {
            self.end(self.since, false);
        }
    }

    /// A hit begins, or goes on to a new maximum.
    fn begin(&mut self, reduction_db: f32) {
        self.peak_db = Some(reduction_db);
        self.trough_db = reduction_db;
        (self.since, self.until_trough) = (0, 0);
        self.hit_waits = true;
    }

    fn end(&mut self, samples: u64, came_back: bool) {
        let seconds = samples as f64 / self.rate_hz;
        self.last = Some(Recovery { seconds: seconds as f32, came_back });
        self.totals.hits += 1;
        if came_back {
            self.totals.came_back += 1;
            self.totals.seconds += seconds;
        }
        self.peak_db = None;
    }

    /// The song goes on by less than a quarter of a beat; `now_db` is the reduction there.
    fn go_over(&mut self, from: f64, to: f64, now_db: Option<f32>) {
        if to >= 1.0 {
            if let Some(beat) = &mut self.beat {
                beat.position -= 1.0;
            }
            if let Some(least_db) = self.least_db.take() {
                self.left_db = Some(least_db);
                self.totals.beats += 1;
                self.totals.left_db += f64::from(least_db);
            }
        }
        let quarter = from < 1.0 - BEFORE_BEAT && to >= 1.0 - BEFORE_BEAT;
        if quarter && std::mem::take(&mut self.hit_waits) {
            self.least_db = Some(now_db.unwrap_or(f32::INFINITY));
        }
    }

    /// The last hit.
    pub(crate) fn last(&self) -> Option<Recovery> {
        self.last
    }

    /// What was left at the last beat that was read, dB.
    pub(crate) fn left_db(&self) -> Option<f32> {
        self.left_db
    }

    pub(crate) fn totals(&self) -> &Totals {
        &self.totals
    }

    /// Beats in a second, while the song is known.
    pub(crate) fn beats_per_s(&self) -> Option<f64> {
        self.beat.map(|beat| beat.per_s)
    }
}

/// The least and the largest of a run that is not empty.
#[inline(always)]
fn extremes(run: &[f32]) -> [f32; 2] {
    // Side by side, so that it vectorises.
    let lower = |a: f32, b: f32| if a < b { a } else { b };
    let (mut low, mut high) = ([run[0]; 8], [run[0]; 8]);
    let (eights, rest) = run.as_chunks::<8>();
    for eight in eights {
        for ((low, high), &x) in low.iter_mut().zip(&mut high).zip(eight) {
            *low = lower(x, *low);
            *high = larger(x, *high);
        }
    }
    let [low, high] = [one_of(low, lower), one_of(high, larger)];
    rest.iter().fold([low, high], |[low, high], &x| [lower(x, low), larger(x, high)])
}

/// How many samples of a run come before the first one that is `low`, its least.
#[inline(always)]
fn place_of(run: &[f32], low: f32) -> usize {
    // Eights in which it is not are passed over, which vectorises.
    let above = |eight: &&[f32; 8]| eight.iter().fold(true, |above, &x| above & (x > low));
    let before = 8 * run.as_chunks::<8>().0.iter().take_while(above).count();
    before + run[before..].iter().take_while(|&&x| x > low).count()
}

/// Whether no sample of a run is less than the one before.
#[inline(always)]
fn rises(run: &[f32]) -> bool {
    run.iter().zip(&run[1..]).fold(true, |rises, (before, x)| rises & (before <= x))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const RATE_HZ: f64 = 1_000.0;

    fn meter() -> RecoveryMeter {
        let mut meter = RecoveryMeter::new();
        meter.prepare(RATE_HZ);
        meter
    }

    /// A hit of so many dB that is let go with a time constant in seconds, for so many samples.
    fn hit(peak_db: f64, release_s: f64, samples: usize) -> Vec<f32> {
        let at = |n: usize| (peak_db * (-(n as f64) / RATE_HZ / release_s).exp()) as f32;
        [0.4, 0.7, 0.9]
            .map(|share| (share * peak_db) as f32)
            .into_iter()
            .chain((0..samples).map(at))
            .collect()
    }

    fn play(meter: &mut RecoveryMeter, reductions: &[f32]) {
        meter.process([reductions, reductions]);
    }

    /// By definition an exponential comes back 63 % in its time constant.
    #[test]
    fn an_exponential_comes_back_in_its_time_constant_from_any_height() {
        for (peak_db, release_s) in [(0.5, 0.1), (2.0, 0.2), (12.0, 0.05), (24.0, 2.0)] {
            let mut meter = meter();
            play(&mut meter, &[0.0; 10]);
            play(&mut meter, &hit(peak_db, release_s, 3_000));
            let last = meter.last().unwrap();
            assert!(last.came_back);
            assert!((f64::from(last.seconds) - release_s).abs() < 0.002, "{peak_db} {last:?}");
            assert_eq!((meter.totals().hits, meter.totals().came_back), (1, 1));
        }
    }

    #[test]
    fn what_is_no_hit_is_not_read() {
        let mut meter = meter();
        play(&mut meter, &[0.19; 100]);
        play(&mut meter, &[0.0; 1_000]);
        assert_eq!(meter.last(), None);
    }

    #[test]
    fn a_hit_that_the_next_one_cuts_short_says_so() {
        let mut meter = meter();
        play(&mut meter, &hit(4.0, 0.3, 151));
        play(&mut meter, &hit(6.0, 0.3, 10));
        let last = meter.last().unwrap();
        assert!(!last.came_back);
        assert!((last.seconds - 0.15).abs() < 0.002, "{last:?}");
        play(&mut meter, &hit(6.0, 0.3, 1_000)[13..]);
        assert!(meter.last().unwrap().came_back);
        assert_eq!((meter.totals().hits, meter.totals().came_back), (2, 1));
        assert!((meter.totals().mean_s().unwrap() - 0.3).abs() < 0.01);
    }

    #[test]
    fn a_ripple_is_no_hit() {
        let mut meter = meter();
        let rippled: Vec<f32> = hit(6.0, 0.2, 1_000)
            .iter()
            .enumerate()
            .map(|(n, x)| x * if n % 10 < 5 { 1.0 } else { 0.96 })
            .collect();
        play(&mut meter, &rippled);
        assert_eq!(meter.totals().hits, 1);
    }

    #[test]
    fn a_reduction_that_stays_is_given_up() {
        let mut meter = meter();
        play(&mut meter, &hit(6.0, 100.0, 11_000));
        assert_eq!(meter.last(), Some(Recovery { seconds: 10.0, came_back: false }));
    }

    /// A hit on every beat, 500 samples apart, told of in blocks with rounded positions. What is
    /// left is the exponential after the rest of the beat.
    #[test]
    fn what_is_left_is_read_before_the_hit_on_the_beat() {
        for early in [0, 20] {
            let mut meter = meter();
            let beat = hit(6.0, 0.25, 497);
            let song: Vec<f32> = beat.iter().copied().cycle().skip(early).take(5_000).collect();
            let mut start = 0;
            for block in [64, 499, 1].into_iter().cycle() {
                if start + block > song.len() {
                    break;
                }
                let rounding = if start % 2 == 0 { 1e-3 } else { -1e-3 };
                meter.set_beat(Some(Beat {
                    position: 16.0 + start as f64 / 500.0 + rounding,
                    per_s: 2.0,
                }));
                play(&mut meter, &song[start..start + block]);
                start += block;
            }
            let left_db = f64::from(meter.left_db().unwrap());
            let expected_db = 6.0 * (-0.497f64 / 0.25).exp();
            assert!((left_db - expected_db).abs() < 0.05, "{early} early: {left_db}");
            let beats = meter.totals().beats;
            assert!((8..=9).contains(&beats), "{beats} beats");
        }
    }

    #[test]
    fn a_jump_in_the_song_and_a_song_that_stands_still_read_no_beat() {
        let mut meter = meter();
        meter.set_beat(Some(Beat { position: 0.0, per_s: 2.0 }));
        play(&mut meter, &hit(6.0, 0.25, 397));
        meter.set_beat(Some(Beat { position: 3.4, per_s: 2.0 }));
        play(&mut meter, &[0.5; 100]);
        assert_eq!(meter.left_db(), None);
        for absurd in [
            None,
            Some(Beat { position: f64::NAN, per_s: 2.0 }),
            Some(Beat { position: 0.0, per_s: 0.0 }),
            Some(Beat { position: 0.0, per_s: f64::INFINITY }),
        ] {
            meter.set_beat(absurd);
            assert_eq!(meter.beats_per_s(), None);
            play(&mut meter, &hit(6.0, 0.25, 1_000));
            assert_eq!(meter.left_db(), None);
        }
    }

    proptest! {
        /// Runs are a short cut, not another reading: whatever comes, in whatever blocks.
        #[test]
        fn a_run_reads_as_its_samples_one_by_one(
            hits in prop::collection::vec((0f64..8.0, 0.005f64..3.0, 1usize..700, 0f32..0.3), 1..8),
            blocks in prop::collection::vec(1usize..200, 1..10),
            beat in prop::option::of((0f64..1.0, 0.5f64..4.0)),
        ) {
            let [mut in_blocks, mut one_by_one] = [meter(), meter()];
            let beat = beat.map(|(position, per_s)| Beat { position, per_s });
            in_blocks.set_beat(beat);
            one_by_one.set_beat(beat);
            let song: Vec<f32> = hits
                .iter()
                .flat_map(|&(peak_db, release_s, samples, ripple)| {
                    let ripple = move |(n, x)| if n % 7 == 3 { x + ripple } else { x };
                    hit(peak_db, release_s, samples).into_iter().enumerate().map(ripple)
                })
                .collect();
            let (mut rest, mut blocks) = (song.as_slice(), blocks.into_iter().cycle());
            while !rest.is_empty() {
                let block;
                (block, rest) = rest.split_at(rest.len().min(blocks.next().unwrap_or(1)));
                play(&mut in_blocks, block);
                block.iter().for_each(|&x| one_by_one.next(x));
                // All of the state, to the bit.
                prop_assert_eq!(format!("{in_blocks:?}"), format!("{one_by_one:?}"));
            }
        }
    }
}
