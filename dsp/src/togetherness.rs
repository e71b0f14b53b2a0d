//! Togetherness: how strongly the processor moves all parts of a mix up and down together.
//!
//! 0 % means it moves nothing, or moves each part on its own; towards 100 % means a large movement
//! shared by every part. A steady gain, an equaliser, width and reverb do not count. High is not
//! better: separation is traded for cohesion, and the figure shows the trade. It is a definition of
//! our own. It rests on common fate, the principle that sounds whose levels change together tend to
//! be heard as one, and does not say how a listener rates a mix.
//!
//! It is had from two signals, dry and wet, in the stages of the modules below:
//!
//! 1. `spectrum`: Hann-windowed spectra of middle and side every 10 ms, 2048 samples at 48 kHz.
//! 2. `bands`: power and cross-power of middle and side, dry and wet, in twelve bands equally wide
//!    on the ERB-number scale from 40 Hz to 16 kHz. A band's middle and a band's side are *parts*.
//! 3. `movement`: the best mapping of dry to wet that stays the same, over a running average. The
//!    gain of a part is what its wet signal holds of that mapping's at this moment, in dB: only
//!    movement around the mapping is movement. Each part is weighted by loudness and by how far wet
//!    is a scaled copy of dry.
//! 4. `statistics`: the variance of the parts' gains, and the covariance of *different* parts, which
//!    are middle and side, and bands more than two apart.
//!
//! With V the mean variance, C the mean covariance of different parts, s = C/(V + (0.02 dB)²) and
//! σ = √C, the figure is 100·s²·(1 − exp(−σ/1 dB)) per cent. All averages are exponential with a time
//! constant of 3 s.
//!
//! Correlating the output's own levels would not do: parts compressed as one duck each other and
//! become less correlated (Stone and Moore 2007, J. Acoust. Soc. Am. 121:1654). Nor would the ratio
//! of side to middle, which a linked gain leaves as it was.

mod spectrum;
mod bands;
mod movement;
mod statistics;

use crate::processor::{RateError, SAMPLE_RATES_HZ};
use bands::{Layout, Sums};
use movement::Moment;
use spectrum::Spectra;
use statistics::Statistics;

pub use bands::TOGETHERNESS_BANDS;

/// Time constant of all averages, in seconds.
const AVERAGE_S: f64 = 3.0;
/// Quieter than this, dry or wet, is silence, as a mean square: −70 dB re a full-scale sine.
const SILENT: f64 = 0.5e-7;
/// Sound is counted over this many hops: 6 s.
const RECENT_HOPS: usize = 600;
/// So many of them must hold sound: 2 s.
const SOUND_HOPS: usize = 200;
/// A longer silence ends the reading, in hops: 2 s.
const SILENCE_HOPS: usize = 200;
/// Fewest parts the weight is spread over.
const LEAST_PARTS: f64 = 4.0;
/// Least likeness of wet and dry, γ².
const LEAST_LIKENESS: f64 = 0.5;

/// What togetherness reads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TogetherReading {
    /// Togetherness in per cent, 0 to 100: how large the movement is that all parts share. High is
    /// not better.
    pub percent: f32,
    /// How far the parts get the same movement, 0 to 1.
    pub shared: f32,
    /// How large the movement in common is: its standard deviation in dB, 0 or more.
    pub movement_db: f32,
    /// How far the parts of the dry programme rise and fall together by themselves, in per cent, 0
    /// to 100: `shared` of the dry levels instead of the gains. For context only; it says nothing of
    /// the processor.
    pub programme_percent: f32,
    /// The bands, from low to high.
    pub bands: [BandFollow; TOGETHERNESS_BANDS],
}

/// How far a band follows the common movement: 1 moves with the other parts and by as much, 0 stands
/// still or goes its own way.
///
/// It is the slope of a regression: that of the part's gain on the common movement, or that of the
/// common movement on the part's gain, whichever is lower, from 0 to 1. The one is low where the part
/// moves less than the others, the other where it moves by more than it shares with them. With cᵢ the
/// part's mean covariance with the parts different from it, vᵢ its variance and C the mean covariance
/// of all different parts, that is cᵢ / (max(vᵢ, C) + (0.02 dB)²). None where the part has less than a
/// thousandth of all weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BandFollow {
    /// Centre of the band on the ERB-number scale, in Hz.
    pub centre_hz: f32,
    /// The middle, 0 to 1.
    pub mid: Option<f32>,
    /// The side, 0 to 1.
    pub side: Option<f32>,
}

/// Why there is no reading. The text says what is missing and what to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoReading {
    /// Less than 2 s of sound in the last 6 s.
    TooShort,
    /// The dry signal has been below −70 dB re a full-scale sine for more than 2 s.
    DrySilent,
    /// The wet signal has, while the dry one has not.
    WetSilent,
    /// Samples that are not numbers, or beyond +36 dB re full scale, for more than 2 s.
    Faulty,
    /// The weight is spread over fewer than four parts.
    TooNarrow,
    /// The wet signal is not the dry one at changing levels.
    Unlike,
}

impl std::fmt::Display for NoReading {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::TooShort => "fewer than 2 of the last 6 s held sound; it takes more",
            Self::DrySilent => "there is no sound before the processing",
            Self::WetSilent => "there is no sound after the processing, while there is before; look for what takes it away",
            Self::Faulty => {
                "the signal holds samples that are no sound; look for a fault earlier in the chain"
            }
            Self::TooNarrow => "the sound fills too few bands; it takes a fuller mix",
            Self::Unlike => {
                "what comes out is not what goes in at changing levels; reduce distortion or added sound"
            }
        })
    }
}

impl std::error::Error for NoReading {}

/// Measures togetherness from dry and wet frames. Allocates when it is made, never after. Meant for
/// any thread but the audio thread.
///
/// ```
/// use tenon_dsp::{NoReading, Togetherness};
///
/// let mut togetherness = Togetherness::new(48_000.0)?;
/// let (dry, wet) = ([0.1; 4_800], [0.05; 4_800]);
/// togetherness.add([&dry, &dry], [&wet, &wet]);
/// assert_eq!(togetherness.reading(), Err(NoReading::TooShort));
/// # Ok::<(), tenon_dsp::RateError>(())
/// ```
#[derive(Debug)]
pub struct Togetherness {
    spectra: Spectra,
    layout: Layout,
    /// Averages of the bands' sums, up to and including the last hop with sound.
    averages: [Sums; TOGETHERNESS_BANDS],
    /// Hops with sound, exponentially weighted: what the averages are averages over.
    heard: f64,
    keep: f64,
    statistics: Statistics,
    /// Whether the last hops held sound; older ones are overwritten.
    recent: [bool; RECENT_HOPS],
    /// Where the next hop goes in `recent`.
    next: usize,
    /// How many of `recent` hold sound.
    sounding: usize,
    /// Hops without sound since the last one with sound.
    without_sound: usize,
    /// Why the last hop without sound had none.
    silence: NoReading,
}

impl Togetherness {
    /// An analyser for a sample rate in Hz.
    ///
    /// # Errors
    /// [`RateError`] when the rate is not a number within [`SAMPLE_RATES_HZ`].
    pub fn new(rate_hz: f64) -> Result<Self, RateError> {
        if !SAMPLE_RATES_HZ.contains(&rate_hz) {
            return Err(RateError { rate_hz });
        }
        let keep = (-(spectrum::hop(rate_hz) as f64) / rate_hz / AVERAGE_S).exp();
        Ok(Self {
            spectra: Spectra::new(rate_hz),
            layout: Layout::new(rate_hz, spectrum::length(rate_hz)),
            averages: Default::default(),
            heard: 0.0,
            keep,
            statistics: Statistics::new(keep),
            recent: [false; RECENT_HOPS],
            next: 0,
            sounding: 0,
            without_sound: 0,
            silence: NoReading::DrySilent,
        })
    }

    /// Forgets all signal.
    pub fn reset(&mut self) {
        self.spectra.reset();
        self.forget();
        self.recent = [false; RECENT_HOPS];
        self.sounding = 0;
        self.without_sound = 0;
    }

    /// Adds left and right of the signal before the dynamics, and of what came of it, sample by
    /// sample. The reading does not depend on how the stream is cut into calls. Should the slices differ
    /// in length, what lies beyond the shortest is left out.
    pub fn add(&mut self, dry: [&[f32]; 2], wet: [&[f32]; 2]) {
        let len = dry.iter().chain(&wet).map(|channel| channel.len()).min().unwrap_or(0);
        let mut start = 0;
        while start < len {
            let [dry, wet] = [dry, wet].map(|signal| signal.map(|channel| &channel[start..len]));
            let (taken, bins) = self.spectra.take(dry, wet);
            let sums = bins.map(|bins| self.layout.sums(bins));
            if let Some(sums) = sums {
                self.hop(&sums);
            }
            start += taken;
        }
    }

    fn hop(&mut self, sums: &[Sums; TOGETHERNESS_BANDS]) {
        let total = |power: fn(&Sums) -> [f64; 2]| -> f64 { sums.iter().flat_map(power).sum() };
        let (dry, wet) = (total(|sums| sums.dry), total(|sums| sums.wet));
        let silence = if !(dry + wet).is_finite() {
            Some(NoReading::Faulty)
        } else if dry < SILENT {
            Some(NoReading::DrySilent)
        } else if wet < SILENT {
            Some(NoReading::WetSilent)
        } else {
            None
        };
        let sound = silence.is_none();
        let before = std::mem::replace(&mut self.recent[self.next], sound);
        self.next = (self.next + 1) % RECENT_HOPS;
        self.sounding += usize::from(sound);
        self.sounding -= usize::from(before);
        self.heard *= self.keep;
        if let Some(silence) = silence {
            self.silence = silence;
            self.without_sound += 1;
            self.statistics.fade();
            if self.sounding == 0 {
                self.forget();
            }
            return;
        }
        self.without_sound = 0;
        self.heard += 1.0;
        for (average, sums) in self.averages.iter_mut().zip(sums) {
            average.approach(sums, 1.0 / self.heard);
        }
        self.statistics.add(&Moment::new(sums, &self.averages));
    }

    /// Starts the averages anew.
    fn forget(&mut self) {
        self.averages = Default::default();
        self.heard = 0.0;
        self.statistics.reset();
    }

    /// The reading, as of the last added sample.
    ///
    /// # Errors
    /// [`NoReading`] when the signals do not allow one.
    pub fn reading(&self) -> Result<TogetherReading, NoReading> {
        if self.without_sound > SILENCE_HOPS {
            return Err(self.silence);
        }
        if self.sounding < SOUND_HOPS {
            return Err(NoReading::TooShort);
        }
        if self.statistics.likeness().is_some_and(|likeness| likeness < LEAST_LIKENESS) {
            return Err(NoReading::Unlike);
        }
        if self.statistics.effective_parts() < LEAST_PARTS {
            return Err(NoReading::TooNarrow);
        }
        let movements = self.statistics.gains().zip(self.statistics.levels());
        let (gains, levels) = movements.ok_or(NoReading::TooNarrow)?;
        let (shared, movement_db) = (gains.shared(), gains.size_db());
        let follow = self.statistics.follow(&gains);
        Ok(TogetherReading {
            percent: (100.0 * shared.powi(2) * -(-movement_db).exp_m1()) as f32,
            shared: shared as f32,
            movement_db: movement_db as f32,
            programme_percent: (100.0 * levels.shared()) as f32,
            bands: std::array::from_fn(|band| {
                let [mid, side] = follow[band].map(|part| part.map(|part| part as f32));
                BandFollow { centre_hz: self.layout.centres_hz[band] as f32, mid, side }
            }),
        })
    }
}
