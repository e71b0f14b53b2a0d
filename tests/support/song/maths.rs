//! Sine, exponential, decays and filters made of additions, multiplications, divisions and
//! square roots alone. IEEE 754 defines those to the last bit, so the song is the same everywhere,
//! whatever mathematics library the system has.

/// Sine of an angle given in whole turns.
pub(super) fn sine(turns: f64) -> f64 {
    let turn = turns - turns.round();
    // Into the quarter turns around 0, where the series below is good to 1e-13.
    let turn = if turn > 0.25 {
        0.5 - turn
    } else if turn < -0.25 {
        -0.5 - turn
    } else {
        turn
    };
    let x = turn * std::f64::consts::TAU;
    let square = x * x;
    let mut sum = 1.0;
    for k in (1..=8).rev() {
        let k = f64::from(k);
        sum = 1.0 - sum * square / (2.0 * k * (2.0 * k + 1.0));
    }
    x * sum
}

/// Cosine of an angle given in whole turns.
pub(super) fn cosine(turns: f64) -> f64 {
    sine(turns + 0.25)
}

/// The exponential function, good to 1e-9 for arguments within ±20.
pub(super) fn exp(x: f64) -> f64 {
    let y = x / 1024.0;
    let mut power = 1.0 + y * (1.0 + y / 2.0 * (1.0 + y / 3.0 * (1.0 + y / 4.0 * (1.0 + y / 5.0))));
    for _ in 0..10 {
        power *= power;
    }
    power
}

/// Frequency of a note in Hz; 69 is the A at 440 Hz, fractions are cents.
pub(super) fn note_hz(note: f64) -> f64 {
    440.0 * exp((note - 69.0) * std::f64::consts::LN_2 / 12.0)
}

/// A soft limit at ±1: the Padé approximation of the hyperbolic tangent.
pub(super) fn soften(x: f64) -> f64 {
    let x = x.clamp(-3.0, 3.0);
    x * (27.0 + x * x) / (27.0 + 9.0 * x * x)
}

/// A value falling to 1/e in a given time.
pub(super) struct Decay {
    value: f64,
    factor: f64,
}

impl Decay {
    pub(super) fn new(rate: f64, seconds: f64) -> Self {
        Decay { value: 1.0, factor: exp(-1.0 / (seconds * rate)) }
    }

    /// The value that [`next`](Self::next) will give.
    pub(super) fn value(&self) -> f64 {
        self.value
    }

    pub(super) fn next(&mut self) -> f64 {
        let value = self.value;
        self.value *= self.factor;
        value
    }
}

/// A sine that decays: one vibrating mode of a drum, bar or cymbal, by its two-term recurrence.
pub(super) struct Mode {
    now: f64,
    before: f64,
    feedback: (f64, f64),
}

impl Mode {
    /// Starts at zero phase. A mode above 0.45 of the rate is silent.
    pub(super) fn new(rate: f64, hz: f64, seconds: f64, level: f64) -> Self {
        let r = exp(-1.0 / (seconds * rate));
        let turns = hz / rate;
        let level = if turns > 0.45 { 0.0 } else { level };
        Mode {
            now: 0.0,
            before: -level * sine(turns) / r,
            feedback: (2.0 * r * cosine(turns), r * r),
        }
    }

    pub(super) fn next(&mut self) -> f64 {
        let value = self.now;
        self.now = self.feedback.0 * value - self.feedback.1 * self.before;
        self.before = value;
        value
    }
}

/// A second-order state-variable filter (trapezoidal; Zavalishin, The Art of VA Filter Design).
pub(super) struct Filter {
    g: f64,
    k: f64,
    states: (f64, f64),
}

/// The three outputs of a [`Filter`].
pub(super) struct Filtered {
    pub(super) low: f64,
    pub(super) band: f64,
    pub(super) high: f64,
}

impl Filter {
    /// A filter at `hz` (held below 0.45 of the rate) with resonance `q`; `band` peaks at unity.
    pub(super) fn new(rate: f64, hz: f64, q: f64) -> Self {
        let half = (hz / rate).min(0.45) / 2.0;
        Filter { g: sine(half) / cosine(half), k: 1.0 / q, states: (0.0, 0.0) }
    }

    pub(super) fn next(&mut self, input: f64) -> Filtered {
        let Filter { g, k, states } = self;
        let high = (input - (*k + *g) * states.0 - states.1) / (1.0 + *g * (*k + *g));
        let band = *g * high + states.0;
        let low = *g * band + states.1;
        *states = (*g * high + band, *g * band + low);
        Filtered { low, band: band * *k, high }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn agrees_with_the_standard_library() {
        for i in -2000..2000 {
            let x = f64::from(i) * 0.00731;
            approx::assert_abs_diff_eq!(
                sine(x),
                (x * std::f64::consts::TAU).sin(),
                epsilon = 1e-12
            );
            approx::assert_relative_eq!(exp(x), x.exp(), max_relative = 1e-9);
        }
        approx::assert_relative_eq!(note_hz(60.0), 261.625_565, max_relative = 1e-8);
    }

    #[test]
    fn a_mode_is_a_decaying_sine() {
        let mut mode = Mode::new(48_000.0, 440.0, 0.1, 0.8);
        for n in 0..9600 {
            let t = f64::from(n) / 48_000.0;
            let expected = 0.8 * (-t / 0.1).exp() * (std::f64::consts::TAU * 440.0 * t).sin();
            approx::assert_abs_diff_eq!(mode.next(), expected, epsilon = 1e-8);
        }
    }
}
