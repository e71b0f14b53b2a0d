//! Running statistics of the parts: how much they move, and how much of it in common.

use super::bands::TOGETHERNESS_BANDS;
use super::movement::{Moment, PARTS};

/// Gains and levels count up to so far from their part's running mean, in dB.
const CLIP_DB: f64 = 12.0;
/// Movement below this is no movement, in dB.
const STILL_DB: f64 = 0.02;
/// Bands closer than this are not different parts: one sound is often as wide.
const APART_BANDS: usize = 3;
/// A part with less than this share of all weight has none.
const WEIGHT_LEAST: f64 = 1e-3;

/// One value per part.
type Row = [f64; PARTS];

/// Whether two parts are different parts of the mix: middle and side, or bands far apart.
fn different(i: usize, j: usize) -> bool {
    i % 2 != j % 2 || (i / 2).abs_diff(j / 2) >= APART_BANDS
}

/// Exponentially weighted sums of a value x of every part, and of its products with that of every
/// other. They are not centred: the means are taken off when they are read.
#[derive(Debug)]
struct Moments {
    /// Σ w x
    first: Row,
    /// Σ w x²
    second: Row,
    /// Σ u wᵢ wⱼ xᵢ
    cross_first: [Row; PARTS],
    /// Σ u wᵢ wⱼ xᵢ xⱼ
    cross_second: [Row; PARTS],
}

impl Moments {
    const fn new() -> Self {
        Self {
            first: [0.0; PARTS],
            second: [0.0; PARTS],
            cross_first: [[0.0; PARTS]; PARTS],
            cross_second: [[0.0; PARTS]; PARTS],
        }
    }

    fn fade(&mut self, keep: f64) {
        let rows = self.cross_first.iter_mut().chain(&mut self.cross_second);
        for row in rows.chain([&mut self.first, &mut self.second]) {
            row.iter_mut().for_each(|sum| *sum *= keep);
        }
    }

    /// Adds values with their weights w and with u·w.
    fn add(&mut self, values: &Row, weights: &Row, shares: &Row) {
        let weighted: Row = std::array::from_fn(|i| weights[i] * values[i]);
        for i in 0..PARTS {
            self.first[i] += weighted[i];
            self.second[i] += weighted[i] * values[i];
            let share = shares[i] * values[i];
            let rows = self.cross_first[i].iter_mut().zip(&mut self.cross_second[i]);
            for ((first, second), (weight, weighted)) in rows.zip(weights.iter().zip(&weighted)) {
                *first += share * weight;
                *second += share * weighted;
            }
        }
    }

    /// Means of the parts; 0 where there is no weight.
    fn means(&self, weights: &Row) -> Row {
        std::array::from_fn(|i| if weights[i] > 0.0 { self.first[i] / weights[i] } else { 0.0 })
    }

    /// Values limited to the neighbourhood of their running means.
    fn clipped(&self, values: &Row, weights: &Row) -> Row {
        let means = self.means(weights);
        std::array::from_fn(|i| {
            let clipped = values[i].clamp(means[i] - CLIP_DB, means[i] + CLIP_DB);
            if weights[i] > 0.0 { clipped } else { values[i] }
        })
    }

    /// Movement around the means. None without two different parts.
    fn movement(&self, weights: &Row, cross_weights: &[Row; PARTS]) -> Option<Movement> {
        let means = self.means(weights);
        let squares: Row = std::array::from_fn(|i| self.second[i] - means[i] * self.first[i]);
        let total = squares.iter().sum::<f64>() / weights.iter().sum::<f64>();
        let (mut common, mut common_weight) = (0.0, 0.0);
        let mut with_others = [None; PARTS];
        for i in 0..PARTS {
            let (mut sum, mut weight) = (0.0, 0.0);
            for j in (0..PARTS).filter(|&j| different(i, j)) {
                sum += self.cross_second[i][j]
                    - means[j] * self.cross_first[i][j]
                    - means[i] * self.cross_first[j][i]
                    + means[i] * means[j] * cross_weights[i][j];
                weight += cross_weights[i][j];
            }
            common += sum;
            common_weight += weight;
            with_others[i] = (weight > 0.0).then(|| sum / weight);
        }
        let common = (common_weight > 0.0).then(|| common / common_weight)?;
        let own = std::array::from_fn(|i| (weights[i] > 0.0).then(|| squares[i] / weights[i]));
        Some(Movement { total, common, own, with_others })
    }
}

/// Movement of the parts around their means.
#[derive(Debug, Clone, Copy)]
pub(super) struct Movement {
    /// Variance of the parts, on average, in dB².
    total: f64,
    /// Covariance of different parts, on average, in dB².
    common: f64,
    /// Variance of each part, in dB².
    own: [Option<f64>; PARTS],
    /// Covariance of a part with those different from it, on average, in dB².
    with_others: [Option<f64>; PARTS],
}

impl Movement {
    /// Share of the movement that is common, 0 to 1.
    pub(super) fn shared(&self) -> f64 {
        (self.common / (self.total + STILL_DB.powi(2))).clamp(0.0, 1.0)
    }

    /// Standard deviation of the common movement, in dB.
    pub(super) fn size_db(&self) -> f64 {
        self.common.max(0.0).sqrt()
    }

    /// The lower of two regression slopes, that of the part's gain on the common movement and that
    /// of the common movement on the part's gain, 0 to 1.
    fn follow(&self, part: usize) -> Option<f64> {
        let (own, covariance) = self.own[part].zip(self.with_others[part])?;
        Some((covariance / (own.max(self.common) + STILL_DB.powi(2))).clamp(0.0, 1.0))
    }
}

/// All running sums.
#[derive(Debug)]
pub(super) struct Statistics {
    /// What is left of the sums after a hop.
    keep: f64,
    /// Σ w
    weights: Row,
    /// Σ u wᵢ wⱼ, with u = 1/Σw of the hop.
    cross_weights: [Row; PARTS],
    gains: Moments,
    levels: Moments,
    /// Weight by loudness alone, all parts.
    loudness: f64,
    /// The same times γ².
    likeness: f64,
}

impl Statistics {
    pub(super) const fn new(keep: f64) -> Self {
        Self {
            keep,
            weights: [0.0; PARTS],
            cross_weights: [[0.0; PARTS]; PARTS],
            gains: Moments::new(),
            levels: Moments::new(),
            loudness: 0.0,
            likeness: 0.0,
        }
    }

    pub(super) fn reset(&mut self) {
        *self = Self::new(self.keep);
    }

    /// Lets a hop pass that says nothing.
    pub(super) fn fade(&mut self) {
        let keep = self.keep;
        for row in self.cross_weights.iter_mut().chain([&mut self.weights]) {
            row.iter_mut().for_each(|sum| *sum *= keep);
        }
        self.gains.fade(keep);
        self.levels.fade(keep);
        self.loudness *= keep;
        self.likeness *= keep;
    }

    pub(super) fn add(&mut self, moment: &Moment) {
        let gains = self.gains.clipped(&moment.gain_db, &self.weights);
        let levels = self.levels.clipped(&moment.level_db, &self.weights);
        self.fade();
        for (loudness, likeness) in moment.loudness.iter().zip(&moment.likeness) {
            self.loudness += loudness;
            self.likeness += loudness * likeness;
        }
        let weights = &moment.weight;
        let total: f64 = weights.iter().sum();
        if total == 0.0 {
            return;
        }
        let shares = weights.map(|weight| weight / total);
        for (i, share) in shares.iter().enumerate() {
            self.weights[i] += weights[i];
            let row = self.cross_weights[i].iter_mut().zip(weights);
            row.for_each(|(sum, weight)| *sum += share * weight);
        }
        self.gains.add(&gains, weights, &shares);
        self.levels.add(&levels, weights, &shares);
    }

    /// How far wet is a scaled copy of dry, γ² on average, 0 to 1. None when no part counts.
    pub(super) fn likeness(&self) -> Option<f64> {
        (self.loudness > 0.0).then(|| self.likeness / self.loudness)
    }

    /// How many parts the weight is spread over.
    pub(super) fn effective_parts(&self) -> f64 {
        let sum: f64 = self.weights.iter().sum();
        let squares: f64 = self.weights.iter().map(|weight| weight * weight).sum();
        if squares > 0.0 { sum * sum / squares } else { 0.0 }
    }

    /// Movement of the gains. None without two different parts.
    pub(super) fn gains(&self) -> Option<Movement> {
        self.gains.movement(&self.weights, &self.cross_weights)
    }

    /// Movement of the dry levels. None without two different parts.
    pub(super) fn levels(&self) -> Option<Movement> {
        self.levels.movement(&self.weights, &self.cross_weights)
    }

    /// How far each part follows a movement, 0 to 1: middle and side of every band. None for parts
    /// without weight.
    pub(super) fn follow(&self, movement: &Movement) -> [[Option<f64>; 2]; TOGETHERNESS_BANDS] {
        let least = WEIGHT_LEAST * self.weights.iter().sum::<f64>();
        let follow = |part: usize| movement.follow(part).filter(|_| self.weights[part] > least);
        std::array::from_fn(|band| [follow(2 * band), follow(2 * band + 1)])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A hop in which every part has weight 1 and the gains come from `gain_db`.
    fn moment(gain_db: impl Fn(usize) -> f64) -> Moment {
        Moment {
            loudness: [1.0; PARTS],
            likeness: [1.0; PARTS],
            weight: [1.0; PARTS],
            gain_db: std::array::from_fn(gain_db),
            level_db: [0.0; PARTS],
        }
    }

    /// Swings from hop to hop between −1 and 1, each part by its own pattern.
    fn own(part: usize, hop: usize) -> f64 {
        let bits = (part * 97 + 13).wrapping_mul(hop * 2_654_435_761 + 12_345) >> 16;
        if bits & 1 == 0 { -1.0 } else { 1.0 }
    }

    #[test]
    fn a_common_swing_is_all_shared_and_read_in_db() {
        let mut statistics = Statistics::new(1.0);
        for hop in 0..1_000 {
            // ±2 dB around a different gain for each part.
            statistics.add(&moment(|part| part as f64 + 2.0 * own(0, hop)));
        }
        let movement = statistics.gains().expect("all parts have weight");
        assert!((movement.size_db() - 2.0).abs() < 1e-2, "{movement:?}");
        assert!((movement.shared() - 1.0).abs() < 1e-3, "{movement:?}");
        for follow in statistics.follow(&movement).into_iter().flatten() {
            assert!((follow.expect("weight") - 1.0).abs() < 1e-3);
        }
    }

    /// Beside a crowd that moves as one, a part that stands still, one that goes its own way, one
    /// that goes half as far and one that goes twice as far.
    #[test]
    fn a_part_follows_as_far_as_it_moves_with_the_others_by_as_much() {
        let mut statistics = Statistics::new(1.0);
        for hop in 0..2_000 {
            statistics.add(&moment(|part| match part {
                4 => 0.0,
                9 => own(9, hop),
                14 => 0.5 * own(1, hop),
                19 => 2.0 * own(1, hop),
                _ => own(1, hop),
            }));
        }
        let movement = statistics.gains().expect("all parts have weight");
        let follow = statistics.follow(&movement);
        for (part, expected) in [(4, 0.0), (9, 0.0), (14, 0.5), (19, 0.5), (0, 1.0), (7, 1.0)] {
            let follow = follow[part / 2][part % 2].expect("weight");
            assert!((follow - expected).abs() < 0.1, "part {part}: {follow}");
        }
    }

    #[test]
    fn a_part_without_weight_takes_no_share() {
        let mut statistics = Statistics::new(0.99);
        for hop in 0..1_000 {
            let mut moment =
                moment(|part| if part == 4 { 12.0 * own(4, hop) } else { own(0, hop) });
            moment.weight[4] = 0.0;
            statistics.add(&moment);
        }
        let movement = statistics.gains().expect("others have weight");
        assert!(movement.shared() > 0.999);
        assert_eq!(statistics.follow(&movement)[2][0], None);
        assert!((statistics.effective_parts() - (PARTS - 1) as f64).abs() < 1e-9);
    }

    #[test]
    fn a_single_part_has_no_movement_in_common() {
        let mut statistics = Statistics::new(0.99);
        assert!(statistics.gains().is_none() && statistics.likeness().is_none());
        for hop in 0..1_000 {
            let mut moment = moment(|_| own(0, hop));
            moment.weight = std::array::from_fn(|part| if part == 0 { 1.0 } else { 0.0 });
            statistics.add(&moment);
        }
        assert!(statistics.gains().is_none());
    }
}
