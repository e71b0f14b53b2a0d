//! Eighth stage: saturation, after the dynamics and before makeup.
//!
//! The output is the input, delayed, plus a share of what the curve changes:
//!
//! ```text
//! x ─┬─────────────────────── delay ───────────────────────┬─ + ─ y
//!    └─ tilt ─ up ─ c·f(u) − u ─ down ─ untilt ─ no DC ─ mix ┘
//! ```
//!
//! At a drive of 0 dB nothing is added, so the stage is the delayed input bit for bit. Filters of the
//! oversampling touch only what is added; the input has no ripple, and a mix is sample-aligned.
//! The parts: [`shaper`] holds the curve and its loudness, [`focus`] the tilts, [`oversampling`] and
//! [`half_band`] the higher rate.
//!
//! # Which quality
//!
//! Worst alias below 20 kHz of a full-scale tone at 48 kHz, dB from the tone, as the engine's test
//! `saturation` prints it; beside it latency in samples, and time per frame in tenths of what the
//! engine needs without saturation (`cargo xtask bench`). Below −110 dB lies the noise of 32-bit samples.
//!
//! | quality | latency | time | drive | 5 kHz | 10 kHz | 15 kHz | 19 kHz |
//! |---|---|---|---|---|---|---|---|
//! | 1x | 0 | 6 | 6 dB | −66.7 | −23.6 | −23.6 | −23.6 |
//! | | | | 12 dB | −30.8 | −12.6 | −12.6 | −12.6 |
//! | | | | 18 dB | −20.2 | −10.2 | −10.6 | −10.1 |
//! | | | | 24 dB | −17.8 | −9.9 | −10.5 | −9.7 |
//! | 2x | 63 | 15 | 6 dB | < −110 | −88.2 | −66.7 | −45.2 |
//! | | | | 12 dB | −74.7 | −39.6 | −30.8 | −21.9 |
//! | | | | 18 dB | −40.1 | −24.4 | −20.4 | −15.7 |
//! | | | | 24 dB | −28.9 | −20.6 | −18.5 | −14.4 |
//! | **4x** | 70 | 22 | 6 dB | < −110 | < −110 | < −110 | −109.7 |
//! | | | | 12 dB | < −110 | **−83.5** | −57.2 | −48.4 |
//! | | | | 18 dB | −75.2 | −44.0 | −32.3 | −28.4 |
//! | | | | 24 dB | −45.6 | −30.8 | −25.0 | −22.7 |
//! | 8x | 72 | 34 | 6 dB | < −110 | < −110 | < −110 | < −110 |
//! | | | | 12 dB | < −110 | < −110 | −109.8 | −92.3 |
//! | | | | 18 dB | < −110 | −79.2 | −55.7 | −47.9 |
//! | | | | 24 dB | −80.4 | −47.4 | −36.4 | −32.7 |
//!
//! The default is the least that keeps 10 kHz at 12 dB of drive below −80 dB. 8x costs two samples
//! of latency more; it is for renders and for hard-driven bright programme.
//!
//! Antiderivative antialiasing (first order, Parker, Zavalishin and Le Bivic, DAFx-16) was weighed
//! and left out. On top of 4x it brings 10 kHz at 12 dB from −83.5 to −111.7 dB, 19 kHz from −48.4
//! to −66.2 dB; one doubling more brings them to −162.5 and −92.3 dB (in exact arithmetic), and is
//! about level at 18 dB of drive. At 24 dB, where a full-scale tone is all but a square wave, it
//! would win by 6 to 18 dB from 10 kHz up. It needs a logarithm in f64 per sample, since it divides
//! the difference of nearly equal numbers, and delays by half a sample of the higher rate, which no
//! dry path can follow.

mod shaper;
mod focus;
mod half_band;
mod oversampling;

use crate::delay::Delay;
use crate::filter::BIAS;
use crate::frame::{CHUNK, Frames, Lane, without_fault};
use crate::input::GLIDE_S;
use crate::ramp::Ramp;
use crate::settings::{Control, Settings};
use crate::units::one_pole;
use focus::{Focus, TiltState};
pub(crate) use oversampling::LONGEST_LATENCY;
use oversampling::{Oversampling, latency};
use shaper::Shaper;
use std::f64::consts::PI;

use wide::f64x2;

/// Corner of the high-pass that takes out the direct current of an asymmetric curve, Hz.
const DC_CORNER_HZ: f64 = 5.0;

/// Drive, symmetry, focus, mix and quality.
#[derive(Debug)]
pub(crate) struct Saturation {
    /// 1 while there is drive. At 0 and at rest the stage is a delay.
    engaged: Ramp,
    /// Samples until the filters have filled after a start while audio runs; nothing is added before.
    filling: usize,
    mix: Ramp,
    shaper: Shaper,
    focus: Focus,
    tilt: TiltState,
    oversampling: [Oversampling; 2],
    /// Direct current of the residual.
    dc: f64x2,
    delay: Delay,
    /// Doublings of the rate: those in use, and those asked for.
    doublings: usize,
    wanted: usize,
    dc_share: f64,
}

impl Saturation {
    pub(crate) fn new() -> Self {
        Self {
            engaged: Ramp::new(0.0),
            filling: 0,
            mix: Ramp::new(1.0),
            shaper: Shaper::new(),
            focus: Focus::new(),
            tilt: TiltState::default(),
            oversampling: [Oversampling::new(), Oversampling::new()],
            dc: f64x2::ZERO,
            delay: Delay::new(LONGEST_LATENCY),
            doublings: 0,
            wanted: 0,
            dc_share: 0.0,
        }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.engaged.prepare(rate_hz, GLIDE_S);
        self.mix.prepare(rate_hz, GLIDE_S);
        self.shaper.prepare(rate_hz);
        self.focus.prepare(rate_hz);
        self.dc_share = one_pole(1.0 / (2.0 * PI * DC_CORNER_HZ), rate_hz);
    }

    /// Uses the quality asked for, and with it its latency. The signal has to be forgotten with it.
    pub(crate) fn take_up(&mut self) {
        self.doublings = self.wanted;
    }

    pub(crate) fn reset(&mut self) {
        self.delay.restart(self.latency());
        self.engaged.snap();
        self.filling = 0;
        self.start();
    }

    /// Starts from silence, at the settings.
    fn start(&mut self) {
        self.mix.snap();
        self.shaper.snap();
        self.focus.snap();
        self.tilt = TiltState::default();
        self.oversampling.iter_mut().for_each(Oversampling::clear);
        self.dc = f64x2::ZERO;
    }

    /// The quality is only noted: it waits to be [taken up](Self::take_up).
    pub(crate) fn set(&mut self, settings: &Settings) {
        let drive_db = settings[Control::Drive];
        let engaged = drive_db > 0.0;
        // Without drive the tilt is of no account; it stays where it is while the drive fades out.
        let programme_gain = match engaged {
            true => self.focus.set(settings[Control::Focus], drive_db),
            false => 1.0,
        };
        if engaged && self.idle() {
            // The curve was straight and will bend from there, so that starting is not heard. Where
            // it rested is the same however the stream was cut.
            self.start();
            self.filling = self.latency();
        }
        self.engaged.set(f32::from(u8::from(engaged)));
        self.mix.set(settings[Control::SaturationMix] / 100.0);
        self.shaper.set(drive_db, settings[Control::Symmetry], programme_gain);
        self.wanted = settings[Control::Quality] as usize;
    }

    #[inline(always)]
    fn idle(&self) -> bool {
        self.engaged.resting() == Some(0.0)
    }

    /// Samples by which the output lags the input.
    pub(crate) fn latency(&self) -> usize {
        latency(self.doublings)
    }

    /// The latency once the quality asked for is in use.
    pub(crate) fn next_latency(&self) -> usize {
        latency(self.wanted)
    }

    /// Saturates and delays in place.
    #[inline(always)]
    pub(crate) fn process(&mut self, frames: &mut Frames, raw: &Frames) {
        if self.idle() {
            self.delay.process(frames);
            return;
        }
        let len = frames.len();
        let mut shares = [0.0; CHUNK];
        for share in &mut shares[..len] {
            let engaged = match self.filling {
                0 => self.engaged.next(),
                _ => 0.0,
            };
            self.filling = self.filling.saturating_sub(1);
            *share = engaged * self.mix.next();
        }
        self.shaper.advance(len);
        self.focus.advance(len);
        let mut residuals = [[0.0; CHUNK]; 2];
        self.tilt(frames, raw, &mut residuals);
        let (doublings, factor) = (self.doublings, 1 << self.doublings);
        for (oversampling, residual) in self.oversampling.iter_mut().zip(&mut residuals) {
            oversampling.process(
                doublings,
                &mut residual[..len],
                #[inline(always)]
                |samples| self.shaper.process(samples, factor),
            );
        }
        self.untilt(&mut residuals, len);
        self.delay.process(frames);
        for (samples, residual) in frames.channels_mut().into_iter().zip(&residuals) {
            add(samples, residual, &shares);
        }
    }

    /// Faults are not driven: they pass, and leave nothing behind.
    #[inline(always)]
    fn tilt(&mut self, frames: &Frames, raw: &Frames, [to_left, to_right]: &mut [Lane; 2]) {
        let [left, right] = frames.channels();
        let [raw_left, raw_right] = raw.channels();
        let mut state = self.tilt;
        self.focus.each(frames.len(), |i, tilt| {
            let [left, right] = [(left[i], raw_left[i]), (right[i], raw_right[i])]
                .map(|(x, raw)| without_fault(x, raw));
            let y = state.tilt(tilt, f64x2::new([left.into(), right.into()]));
            [to_left[i], to_right[i]] = y.to_array().map(|x| x as f32);
        });
        self.tilt = state;
    }

    #[inline(always)]
    fn untilt(&mut self, [left, right]: &mut [Lane; 2], len: usize) {
        let [new, keep, bias] = [self.dc_share, 1.0 - self.dc_share, BIAS].map(f64x2::splat);
        let (mut state, mut dc) = (self.tilt, self.dc);
        self.focus.each(len, |i, tilt| {
            let x = state.untilt(tilt, f64x2::new([left[i].into(), right[i].into()]));
            [left[i], right[i]] = (x - dc).to_array().map(|x| x as f32);
            dc = new * x + bias + keep * dc;
        });
        (self.tilt, self.dc) = (state, dc);
    }
}

/// Adds what is to be heard of the residual; at no share the sample keeps its bits, even those of
/// a negative zero.
#[inline(always)]
fn add(samples: &mut [f32], residual: &Lane, shares: &Lane) {
    for ((x, &residual), &share) in samples.iter_mut().zip(residual).zip(shares) {
        *x = if share == 0.0 { *x } else { *x + share * residual };
    }
}
