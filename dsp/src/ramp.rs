//! Parameter smoothing: a straight line from the old value to the new one, or one on a logarithmic
//! scale.

/// A value that moves to its target in a straight line over a fixed number of samples.
#[derive(Debug, Clone)]
pub(crate) struct Ramp {
    value: f32,
    target: f32,
    step: f32,
    remaining: u32,
    length: u32,
}

impl Ramp {
    /// A ramp resting at `value`.
    pub(crate) const fn new(value: f32) -> Self {
        Self { value, target: value, step: 0.0, remaining: 0, length: 1 }
    }

    /// Sets how long a movement takes.
    pub(crate) fn prepare(&mut self, rate_hz: f64, seconds: f64) {
        self.set_length((rate_hz * seconds) as u32);
        self.snap();
    }

    /// Sets how long a movement takes, in samples; at least one.
    pub(crate) fn set_length(&mut self, samples: u32) {
        self.length = samples.max(1);
    }

    /// Ends a movement at once.
    pub(crate) fn snap(&mut self) {
        self.value = self.target;
        self.remaining = 0;
    }

    /// Starts moving to a new target; a target it already moves to changes nothing.
    pub(crate) fn set(&mut self, target: f32) {
        if target != self.target {
            self.target = target;
            self.step = (target - self.value) / self.length as f32;
            self.remaining = self.length;
        }
    }

    /// Starts a movement from a value of its own.
    pub(crate) fn restart(&mut self, value: f32, target: f32) {
        self.target = value;
        self.snap();
        self.set(target);
    }

    /// The target, when nothing moves.
    #[inline(always)]
    pub(crate) fn resting(&self) -> Option<f32> {
        (self.remaining == 0).then_some(self.target)
    }

    /// The value of the next sample.
    #[inline(always)]
    pub(crate) fn next(&mut self) -> f32 {
        self.skip(1);
        self.value
    }

    /// The values of the next samples.
    #[inline(always)]
    pub(crate) fn fill(&mut self, values: &mut [f32]) {
        let moving = values.len().min(self.remaining as usize);
        let (moving, resting) = values.split_at_mut(moving);
        for (value, remaining) in moving.iter_mut().zip((0..self.remaining).rev()) {
            *value = self.before_end(remaining);
        }
        resting.fill(self.target);
        self.skip(values.len());
    }

    /// Passes over the values of so many samples.
    #[inline(always)]
    pub(crate) fn skip(&mut self, samples: usize) {
        self.remaining -= self.remaining.min(samples as u32);
        self.value = self.before_end(self.remaining);
    }

    /// The value so many samples before the target is reached. Counted from the end and not summed
    /// up, so that it is the same however the samples are taken.
    #[inline(always)]
    fn before_end(&self, remaining: u32) -> f32 {
        self.target - self.step * remaining as f32
    }

    /// The value of the last sample given out.
    #[inline(always)]
    pub(crate) fn value(&self) -> f32 {
        self.value
    }
}

/// A positive value that moves to its target in equal ratios over a fixed number of samples.
#[derive(Debug, Clone)]
pub(crate) struct Glide {
    value: f64,
    target: f64,
    ratio: f64,
    remaining: u32,
    length: u32,
}

impl Glide {
    /// A glide resting at `value`.
    pub(crate) const fn new(value: f64) -> Self {
        Self { value, target: value, ratio: 1.0, remaining: 0, length: 1 }
    }

    /// Sets how long a movement takes, in samples; at least one.
    pub(crate) fn set_length(&mut self, samples: u32) {
        self.length = samples.max(1);
    }

    /// Ends a movement at once.
    pub(crate) fn snap(&mut self) {
        self.value = self.target;
        self.remaining = 0;
    }

    /// Starts moving to a new target; a target it already moves to changes nothing.
    pub(crate) fn set(&mut self, target: f64) {
        if target != self.target {
            self.target = target;
            self.ratio = (target / self.value).powf(1.0 / f64::from(self.length));
            self.remaining = self.length;
        }
    }

    /// The target, when nothing moves.
    #[inline(always)]
    pub(crate) fn resting(&self) -> Option<f64> {
        (self.remaining == 0).then_some(self.target)
    }

    /// The value of the next sample.
    #[inline(always)]
    pub(crate) fn next(&mut self) -> f64 {
        if self.remaining > 0 {
            self.remaining -= 1;
            self.value = if self.remaining == 0 { self.target } else { self.value * self.ratio };
        }
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_glide_moves_in_equal_ratios_and_lands_exactly() {
        let mut glide = Glide::new(0.01);
        glide.set_length(100);
        glide.set(0.3);
        let half = (0..50).map(|_| glide.next()).last().unwrap();
        assert!((half - (0.01f64 * 0.3).sqrt()).abs() < 1e-9, "{half}");
        assert_eq!((0..50).map(|_| glide.next()).last(), Some(0.3));
        assert_eq!(glide.resting(), Some(0.3));
    }

    #[test]
    fn lands_exactly_on_the_target_after_its_length() {
        let mut ramp = Ramp::new(0.1);
        ramp.set_length(7);
        ramp.set(0.7);
        let mut values = [0.0; 9];
        ramp.fill(&mut values);
        assert!(values[5] < 0.7);
        assert_eq!(values[6..], [0.7; 3]);
        assert_eq!(ramp.resting(), Some(0.7));
    }

    #[test]
    fn never_steps_further_than_the_straight_line() {
        let mut ramp = Ramp::new(0.0);
        ramp.set_length(100);
        ramp.set(1.0);
        let mut last = 0.0;
        for i in 0..150 {
            if i == 40 {
                ramp.set(-1.0);
            }
            let value = ramp.next();
            assert!((value - last).abs() < 0.0151, "{i}: {last} to {value}");
            last = value;
        }
        assert_eq!(last, -1.0);
    }
}
