//! What chance alone does: the exact binomial distribution for p = 1/2.
//!
//! Sums are taken in integers, out of 2ⁿ equally likely answer sheets, so that nothing is rounded
//! before the last division.

/// Most trials that are counted: the sums then fit into 128 bits.
pub const MOST: u32 = 100;

/// How probable it is to be right at least `hits` times in `trials` by guessing: the one-sided p of
/// hearing a difference. From 0 to 1; 1 when there are no trials.
///
/// # Panics
/// When there are more hits than trials, or more than [`MOST`] trials.
pub fn at_least(hits: u32, trials: u32) -> f64 {
    assert!(hits <= trials && trials <= MOST, "{hits} of {trials} cannot be counted");
    let mut sheets: u128 = 1;
    let mut sum = 0;
    for n in 0..=trials {
        if n >= hits {
            sum += sheets;
        }
        // C(t, n + 1) = C(t, n) · (t − n) / (n + 1), which divides evenly.
        sheets = sheets * u128::from(trials - n) / u128::from(n + 1);
    }
    sum as f64 / (1_u128 << trials) as f64
}

/// How probable it is that choosing blindly leans at least as far as `count` of `trials`, to either
/// side: the two-sided p of a preference. Twice the smaller tail, 1 at most.
///
/// # Panics
/// As [`at_least`].
pub fn two_sided(count: u32, trials: u32) -> f64 {
    assert!(count <= trials, "{count} of {trials} cannot be counted");
    (2.0 * at_least(count.max(trials - count), trials)).min(1.0)
}

/// The fewest hits of `trials` that guessing reaches no more often than `level`, say 0.05; none when
/// even all of them do not suffice.
///
/// # Panics
/// When there are more than [`MOST`] trials.
pub fn needed(trials: u32, level: f64) -> Option<u32> {
    (0..=trials).find(|&hits| at_least(hits, trials) <= level)
}

/// A count of hits in words: "13 of 16: chance alone does this about once in 94 times".
///
/// # Panics
/// As [`at_least`].
pub fn difference_words(hits: u32, trials: u32) -> String {
    let p = at_least(hits, trials);
    format!("{hits} of {trials}: chance alone does this {}", how_often(p))
}

/// A count of choices in words: "13 of 16: chance alone leans this far, to either side, about once in
/// 47 times".
///
/// # Panics
/// As [`at_least`].
pub fn preference_words(count: u32, trials: u32) -> String {
    let p = two_sided(count, trials);
    format!("{count} of {trials}: chance alone leans this far, to either side, {}", how_often(p))
}

fn how_often(p: f64) -> String {
    // Whole numbers below would hide more than they tell.
    if p > 0.9995 {
        return "always".to_owned();
    }
    if p > 0.995 {
        return "more than 99 times in 100".to_owned();
    }
    if p > 1.0 / 3.0 {
        return format!("{:.0} times in 100", 100.0 * p);
    }
    // Three digits are as many as anybody can weigh.
    let times = 1.0 / p;
    let unit = 10_f64.powf((times.log10().floor() - 2.0).max(0.0));
    format!("about once in {} times", grouped((times / unit).round() * unit))
}

/// A whole number, its digits in groups of three.
fn grouped(number: f64) -> String {
    let digits = format!("{number:.0}");
    let mut text = String::new();
    for (n, digit) in digits.chars().enumerate() {
        if n > 0 && (digits.len() - n).is_multiple_of(3) {
            text.push(' ');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Critical values of the sign test, which is this distribution: for 8 to 25 trials, the most
    /// answers of the rarer kind that still are significant at one-sided 0.005, 0.01, 0.025 and 0.05,
    /// two-sided at twice that. Triola, Elementary Statistics (Pearson), Table A-7.
    const SIGN_TEST: [[u32; 4]; 18] = [
        [0, 0, 0, 1],
        [0, 0, 1, 1],
        [0, 0, 1, 1],
        [0, 1, 1, 2],
        [1, 1, 2, 2],
        [1, 1, 2, 3],
        [1, 2, 2, 3],
        [2, 2, 3, 3],
        [2, 2, 3, 4],
        [2, 3, 4, 4],
        [3, 3, 4, 5],
        [3, 4, 4, 5],
        [3, 4, 5, 5],
        [4, 4, 5, 6],
        [4, 5, 5, 6],
        [4, 5, 6, 7],
        [5, 5, 6, 7],
        [5, 6, 7, 7],
    ];

    #[test]
    fn significance_falls_where_the_printed_table_has_it() {
        for (trials, row) in (8..).zip(SIGN_TEST) {
            for (level, rarer) in [0.005, 0.01, 0.025, 0.05].into_iter().zip(row) {
                assert_eq!(needed(trials, level), Some(trials - rarer), "{trials} at {level}");
                for count in [rarer, trials - rarer] {
                    assert!(two_sided(count, trials) <= 2.0 * level, "{count} of {trials}");
                }
                for count in [rarer + 1, trials - rarer - 1] {
                    assert!(two_sided(count, trials) > 2.0 * level, "{count} of {trials}");
                }
            }
        }
        assert_eq!(needed(4, 0.05), None);
    }

    #[test]
    fn probabilities_are_the_published_ones() {
        // NAG Library Manual, example of g01bjc: n = 4, p = 0.5, k = 2.
        assert_eq!(at_least(3, 4), 0.31250);
        // Lane, HyperStat, sign test: 7 or more of 8.
        assert!((at_least(7, 8) - 0.0352).abs() < 0.000_05);
    }

    #[test]
    fn sums_of_small_binomials_are_exact() {
        // 560 + 120 + 16 + 1 of 2¹⁶.
        assert_eq!(at_least(13, 16), 697.0 / 65_536.0);
        assert_eq!(two_sided(3, 16), 1394.0 / 65_536.0);
        assert_eq!(at_least(25, 25), 1.0 / 33_554_432.0);
        assert_eq!(at_least(MOST, MOST), 0.5_f64.powi(100));
        for trials in 0..=MOST {
            assert_eq!(at_least(0, trials), 1.0);
            // By symmetry, odd numbers of trials split in half.
            if trials % 2 == 1 {
                assert_eq!(at_least(trials / 2 + 1, trials), 0.5);
            }
        }
        // An even split leans to no side.
        assert_eq!(two_sided(8, 16), 1.0);
        assert_eq!(two_sided(0, 0), 1.0);
    }

    #[test]
    fn words_say_how_often() {
        for (hits, trials, words) in [
            (13, 16, "13 of 16: chance alone does this about once in 94 times"),
            // 2517 of 65536.
            (12, 16, "12 of 16: chance alone does this about once in 26 times"),
            (9, 16, "9 of 16: chance alone does this 40 times in 100"),
            (0, 16, "0 of 16: chance alone does this always"),
            (25, 25, "25 of 25: chance alone does this about once in 33 600 000 times"),
        ] {
            assert_eq!(difference_words(hits, trials), words);
        }
        for (count, words) in [
            (13, "13 of 16: chance alone leans this far, to either side, about once in 47 times"),
            (3, "3 of 16: chance alone leans this far, to either side, about once in 47 times"),
            (8, "8 of 16: chance alone leans this far, to either side, always"),
        ] {
            assert_eq!(preference_words(count, 16), words);
        }
    }

    #[test]
    fn the_manual_has_the_right_numbers() {
        // By the formula, for somebody who is right with a probability of 3/4.
        let power = |hits: u32, trials: u32| {
            let choose =
                |k: u32| (0..k).fold(1.0, |c, i| c * f64::from(trials - i) / f64::from(i + 1));
            let term =
                |k: u32| choose(k) * 0.75_f64.powi(k as i32) * 0.25_f64.powi((trials - k) as i32);
            (hits..=trials).map(term).sum::<f64>()
        };
        let manual = include_str!("../../docs/trials.md");
        let mut rows = 0;
        for row in manual.lines() {
            let cells: Vec<&str> = row.split('|').map(str::trim).collect();
            let Some(trials) = cells.get(1).and_then(|cell| cell.parse::<u32>().ok()) else {
                continue;
            };
            let [p05, p01, two] = [0.05, 0.01, 0.025].map(|level| needed(trials, level).unwrap());
            let share = format!("{:.0} %", 100.0 * power(p05, trials));
            let expected = [p05.to_string(), p01.to_string(), two.to_string(), share];
            assert_eq!(cells[2..6], expected, "{trials} trials");
            rows += 1;
        }
        assert_eq!(rows, 6);
    }
}
