//! What is asked, how often, and in which order: drawn before the first trial, never changed after.
//!
//! The order is one fair bit a trial, independent of all others, from a generator that cannot be
//! predicted and is seeded by the system. Neither the seed nor the bits are kept anywhere but here.

use std::ops::RangeInclusive;

use rand::rngs::{StdRng, SysRng};
use rand::{CryptoRng, RngExt, SeedableRng};
use serde::{Deserialize, Serialize};

/// How many trials a plan may have. Fewer prove nothing, more tire the ears.
pub const TRIALS: RangeInclusive<u32> = 8..=25;

/// How many trials there are unless another number is chosen.
pub const USUAL_TRIALS: u32 = 16;

/// What the listener is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// Which of two unnamed sides do you like better?
    Preference,
    /// X is one of two named sides: which?
    Difference,
}

impl Kind {
    /// Both, in the order in which they are offered.
    pub const ALL: [Self; 2] = [Self::Difference, Self::Preference];

    /// Its name in files and on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Preference => "preference",
            Self::Difference => "difference",
        }
    }
}

/// One of the two that are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// The one named first: before, dry, or A.
    First,
    /// The one named second: after, processed, or B.
    Second,
}

impl Side {
    /// The opposite side.
    pub fn other(self) -> Self {
        match self {
            Self::First => Self::Second,
            Self::Second => Self::First,
        }
    }

    /// One of the two, each as likely as the other.
    pub(crate) fn draw(random: &mut impl CryptoRng) -> Self {
        if random.random() { Self::Second } else { Self::First }
    }

    /// Its place in a pair.
    pub fn index(self) -> usize {
        match self {
            Self::First => 0,
            Self::Second => 1,
        }
    }
}

/// Trials to come.
#[derive(Clone, PartialEq, Eq)]
pub struct Plan {
    kind: Kind,
    hidden: Vec<Side>,
}

// Says nothing of the order: a log must not give it away.
impl std::fmt::Debug for Plan {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Plan")
            .field("kind", &self.kind)
            .field("trials", &self.hidden.len())
            .finish_non_exhaustive()
    }
}

/// Why there is no plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PlanError {
    /// So many trials are not to be had.
    Trials(u32),
    /// The system gives no random numbers.
    NoRandomness(String),
}

impl std::fmt::Display for PlanError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Trials(trials) => write!(
                f,
                "{trials} trials are not possible; choose {} to {}",
                TRIALS.start(),
                TRIALS.end()
            ),
            Self::NoRandomness(why) => write!(
                f,
                "the system gives no random numbers ({why}), so no order can be drawn; try again"
            ),
        }
    }
}

impl std::error::Error for PlanError {}

/// A generator that cannot be predicted, seeded by the system.
///
/// # Errors
/// When the system gives no random numbers.
pub(crate) fn unpredictable() -> Result<StdRng, PlanError> {
    StdRng::try_from_rng(&mut SysRng).map_err(|error| PlanError::NoRandomness(error.to_string()))
}

impl Plan {
    /// A plan in an order that nobody knows.
    ///
    /// # Errors
    /// When the number of trials is none of [`TRIALS`], or the system gives no random numbers.
    pub fn new(kind: Kind, trials: u32) -> Result<Self, PlanError> {
        Self::draw(kind, trials, &mut unpredictable()?)
    }

    /// A plan in the order that a generator gives.
    ///
    /// # Errors
    /// When the number of trials is none of [`TRIALS`].
    pub fn draw(kind: Kind, trials: u32, random: &mut impl CryptoRng) -> Result<Self, PlanError> {
        if !TRIALS.contains(&trials) {
            return Err(PlanError::Trials(trials));
        }
        Ok(Self { kind, hidden: (0..trials).map(|_| Side::draw(random)).collect() })
    }

    /// A plan in an order that has been drawn before.
    ///
    /// # Errors
    /// When the number of trials is none of [`TRIALS`].
    pub(crate) fn of(kind: Kind, hidden: Vec<Side>) -> Result<Self, PlanError> {
        let trials = u32::try_from(hidden.len()).unwrap_or(u32::MAX);
        if !TRIALS.contains(&trials) {
            return Err(PlanError::Trials(trials));
        }
        Ok(Self { kind, hidden })
    }

    /// What is asked.
    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// How many trials there are.
    pub fn trials(&self) -> u32 {
        self.hidden.len() as u32
    }

    /// The order, one side a trial: what X is when hearing a difference, what is on button 1 when
    /// choosing.
    pub fn hidden(&self) -> &[Side] {
        &self.hidden
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::chance::{at_least, two_sided};

    fn drawn(seed: u64, trials: u32) -> Vec<Side> {
        let mut random = StdRng::seed_from_u64(seed);
        Plan::draw(Kind::Difference, trials, &mut random).unwrap().hidden().to_vec()
    }

    /// Bits of an order, as a number.
    fn number(order: &[Side]) -> usize {
        order.iter().fold(0, |number, side| 2 * number + side.index())
    }

    #[test]
    fn only_sensible_numbers_of_trials_are_taken() {
        for trials in [0, 7, 26, u32::MAX] {
            let error = Plan::new(Kind::Preference, trials).unwrap_err();
            assert_eq!(error, PlanError::Trials(trials));
            assert!(error.to_string().ends_with("choose 8 to 25"));
        }
        for trials in TRIALS {
            assert_eq!(Plan::new(Kind::Preference, trials).unwrap().trials(), trials);
        }
    }

    #[test]
    fn all_orders_are_equally_likely() {
        // Pearson's chi-square over the 256 orders of eight trials, so that every dependence between
        // trials counts. 99.9th percentile for 255 degrees of freedom by Wilson and Hilferty (PNAS 17,
        // 1931): k (1 − 2/9k + 3.0902 √(2/9k))³ = 330.5.
        const SEEDS: u64 = 25_600;
        let mut counts = [0_f64; 256];
        for seed in 0..SEEDS {
            counts[number(&drawn(seed, 8))] += 1.0;
        }
        let expected = SEEDS as f64 / 256.0;
        let chi: f64 = counts.iter().map(|count| (count - expected).powi(2) / expected).sum();
        assert!(chi < 330.5, "chi-square {chi}");
    }

    #[test]
    fn the_system_draws_another_order_each_time() {
        // Two of 50 equal ones among 2²⁵: once in 27 000 runs.
        let mut orders: Vec<usize> =
            (0..50).map(|_| number(Plan::new(Kind::Difference, 25).unwrap().hidden())).collect();
        orders.sort_unstable();
        orders.dedup();
        assert_eq!(orders.len(), 50);
    }

    #[test]
    fn guessing_succeeds_no_more_often_than_it_should() {
        // Against orders as they are drawn; answers come from a generator of their own, or follow a
        // habit, which a fair order defeats just as well.
        const RUNS: u64 = 8_000;
        for trials in [8, 16, 25] {
            let mut answers = StdRng::seed_from_u64(1);
            let habits: [&mut dyn FnMut(usize) -> bool; 3] =
                [&mut |_| answers.random(), &mut |_| true, &mut |trial| trial % 2 == 0];
            for (habit, answer) in habits.into_iter().enumerate() {
                let (mut heard, mut preferred) = (0.0, 0.0);
                for run in 0..RUNS {
                    let order = drawn(RUNS * u64::from(trials) + run, trials);
                    let right = |(n, side): (usize, Side)| answer(n) == (side == Side::Second);
                    // The button that is liked is the side behind it, so the same count serves.
                    let hits = order.into_iter().enumerate().map(right).filter(|&hit| hit);
                    let hits = hits.count() as u32;
                    heard += f64::from(u8::from(at_least(hits, trials) <= 0.05));
                    preferred += f64::from(u8::from(two_sided(hits, trials) <= 0.05));
                }
                // Three standard deviations above one in twenty.
                let bound = 0.05 * RUNS as f64 + 3.0 * (0.05 * 0.95 * RUNS as f64).sqrt();
                for passed in [heard, preferred] {
                    assert!(passed <= bound, "{trials} trials, habit {habit}: {passed} of {RUNS}");
                    assert!(passed > 0.0);
                }
            }
        }
    }

    #[test]
    fn a_plan_in_a_log_gives_nothing_away() {
        let shown = |seed| {
            let mut random = StdRng::seed_from_u64(seed);
            format!("{:?}", Plan::draw(Kind::Difference, 16, &mut random).unwrap())
        };
        assert_eq!(shown(1), shown(2));
    }
}
