//! What the strip chart shows: the last points, and where bars, beats and jumps of the song lie among
//! them. Knows nothing of how it is drawn.

use crate::feed::{FeedOut, Place, Point};

/// Time between two points, in seconds.
pub(crate) const STEP_S: f64 = 0.02;

/// Points kept: 80 s, more than the widest window shows.
const KEPT: usize = 4_000;

/// The last points, as they come or held still.
#[derive(Default)]
pub(crate) struct Trace {
    points: Vec<Point>,
    held: Option<Vec<Point>>,
}

impl Trace {
    /// A trace that holds these points.
    pub(crate) fn of(points: Vec<Point>) -> Self {
        Self { points, held: None }
    }

    /// Takes in what has come.
    pub(crate) fn update(&mut self, feed: &mut FeedOut) {
        while let Some(point) = feed.next_point() {
            self.points.push(point);
        }
        // Twice as many before any are dropped, so that dropping is rare.
        if self.points.len() > 2 * KEPT {
            self.points.drain(..self.points.len() - KEPT);
        }
    }

    /// Holds what is shown still, or lets it go on.
    pub(crate) fn hold(&mut self, still: bool) {
        match (still, &self.held) {
            (true, None) => self.held = Some(self.points.clone()),
            (false, Some(_)) => self.held = None,
            _ => (),
        }
    }

    /// The last `count` points to show, from old to new.
    pub(crate) fn last(&self, count: usize) -> &[Point] {
        let points = self.held.as_ref().unwrap_or(&self.points);
        &points[points.len().saturating_sub(count)..]
    }
}

/// Something that lies across the chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Mark {
    /// A bar begins; counted from 1, as hosts show it.
    Bar(i32),
    /// A beat begins within a bar.
    Beat,
    /// A second begins, where the song gives no beats.
    Second(u64),
    /// The song goes on from elsewhere: a loop, a jump, a start or a stop.
    Jump,
    /// Points are missing: nothing played, or nobody looked.
    Gap,
}

/// The marks among points, each with its place: 1.5 is half way from the second to the third.
pub(crate) fn marks(points: &[Point]) -> impl Iterator<Item = (f64, Mark)> {
    points.windows(2).enumerate().flat_map(|(index, pair)| {
        between(&pair[0], &pair[1])
            .into_iter()
            .flatten()
            .map(move |(share, mark)| (index as f64 + share, mark))
    })
}

/// Up to two marks from one point to the next, with their share of the way.
fn between(a: &Point, b: &Point) -> [Option<(f64, Mark)>; 2] {
    if b.number != a.number + 1 {
        return [Some((1.0, Mark::Gap)), None];
    }
    match (a.place, b.place) {
        (Some(from), Some(to)) => song(from, to),
        (None, None) => {
            let second = |point: &Point| (point.number as f64 * STEP_S + 1e-6) as u64;
            let mark = Mark::Second(second(b));
            [(second(a) != second(b)).then_some((1.0, mark)), None]
        }
        (None, Some(to)) => [Some((1.0, Mark::Jump)), begun(to)],
        (Some(_), None) => [Some((1.0, Mark::Jump)), None],
    }
}

fn song(from: Place, to: Place) -> [Option<(f64, Mark)>; 2] {
    let beats = match i64::from(to.bar) - i64::from(from.bar) {
        0 => to.beat - from.beat,
        1 => to.beat + from.beats - from.beat,
        _ => f64::INFINITY,
    };
    // The tempo may change in between, and hosts round; half a step is no jump.
    let expected = STEP_S * (from.beats_per_s + to.beats_per_s) / 2.0;
    if (beats - expected).abs() > expected / 2.0 + 1e-3 {
        return [Some((1.0, Mark::Jump)), begun(to)];
    }
    let share = |since: f64| (1.0 - since / beats).clamp(0.0, 1.0);
    let mark = if to.bar != from.bar {
        Some((share(to.beat), Mark::Bar(to.bar.saturating_add(1))))
    } else if to.beat.floor() > from.beat.floor() {
        Some((share(to.beat.fract()), Mark::Beat))
    } else {
        None
    };
    [mark, None]
}

/// The bar, if it has only just begun; a loop mostly goes back to where one does.
fn begun(place: Place) -> Option<(f64, Mark)> {
    let fresh = place.beat <= 1.01 * STEP_S * place.beats_per_s;
    fresh.then_some((1.0, Mark::Bar(place.bar.saturating_add(1))))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Points at these places, one after the other.
    fn points(places: impl IntoIterator<Item = Option<Place>>) -> Vec<Point> {
        let point = |(number, place)| Point {
            number: number as u64,
            reduction_db: 0.0,
            mid_db: [-20.0; 2],
            side_db: [-30.0; 2],
            place,
        };
        places.into_iter().enumerate().map(point).collect()
    }

    fn at(bar: i32, beat: f64, bpm: f64) -> Place {
        Place { bar, beat, beats: 4.0, beats_per_s: bpm / 60.0 }
    }

    /// Plays on from a place for so many points.
    fn play(from: Place, count: usize) -> impl Iterator<Item = Option<Place>> {
        (0..count).map(move |n| Some(from.after(n as f64 * STEP_S)))
    }

    fn found(points: &[Point]) -> Vec<(f64, Mark)> {
        marks(points).map(|(at, mark)| ((at * 100.0).round() / 100.0, mark)).collect()
    }

    #[test]
    fn bars_and_beats_lie_where_they_begin_between_points() {
        // A beat is 25 points at 120 bpm; it begins 0.2 points after the first.
        let points = points(play(at(16, 2.992, 120.0), 80));
        assert_eq!(
            found(&points),
            [(0.2, Mark::Beat), (25.2, Mark::Bar(18)), (50.2, Mark::Beat), (75.2, Mark::Beat)]
        );
    }

    #[test]
    fn a_tempo_change_moves_the_beats_and_is_no_jump() {
        let slow = at(0, 0.99, 120.0);
        let fast = Place { beats_per_s: 4.0, ..slow.after(25.0 * STEP_S) };
        let places = play(slow, 26).chain(play(fast, 40).skip(1));
        let marks = found(&points(places));
        assert_eq!(
            marks,
            [
                (0.25, Mark::Beat),
                (25.13, Mark::Beat),
                (37.63, Mark::Beat),
                (50.13, Mark::Bar(2)),
                (62.63, Mark::Beat)
            ]
        );
    }

    #[test]
    fn a_loop_shows_where_it_goes_back_and_names_the_bar() {
        let places = play(at(3, 3.9, 120.0), 2).chain(play(at(2, 0.01, 120.0), 2));
        assert_eq!(found(&points(places)), [(2.0, Mark::Jump), (2.0, Mark::Bar(3))]);
        let places = play(at(3, 1.5, 120.0), 2).chain(play(at(9, 2.5, 120.0), 2));
        assert_eq!(found(&points(places)), [(2.0, Mark::Jump)]);
        let back = play(at(3, 1.5, 120.0), 2).chain(play(at(3, 1.3, 120.0), 2));
        assert_eq!(found(&points(back)), [(2.0, Mark::Jump)]);
    }

    #[test]
    fn seconds_stand_where_there_are_no_beats_and_starts_and_stops_show() {
        let places = (0..75).map(|_| None).chain(play(at(0, 0.5, 120.0), 3)).chain([None]);
        assert_eq!(
            found(&points(places)),
            [(50.0, Mark::Second(1)), (75.0, Mark::Jump), (78.0, Mark::Jump)]
        );
    }

    #[test]
    fn missing_points_are_a_gap() {
        let mut points = points(play(at(0, 0.3, 120.0), 4));
        points[2].number += 7;
        points[3].number += 7;
        assert_eq!(found(&points), [(2.0, Mark::Gap)]);
    }

    #[test]
    fn what_is_held_stays_while_more_comes() {
        let all = points(play(at(0, 0.0, 120.0), 50));
        let mut trace = Trace::of(all[..10].to_vec());
        trace.hold(true);
        trace.points.extend(&all[10..]);
        trace.hold(true);
        assert_eq!(trace.last(4), &all[6..10]);
        trace.hold(false);
        assert_eq!(trace.last(4), &all[46..]);
    }
}
