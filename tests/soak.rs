//! A long day: hours of audio through the CLAP bundle, as fast as they come. Nothing drifts, memory
//! stays as it is, and the last minute sounds as from a fresh instance.
//!
//! One hour, unless `TENON_SOAK_HOURS` says otherwise; `cargo xtask soak` runs 24.
#![cfg(target_os = "linux")]

mod hosts {
    pub(crate) mod raw;
    pub(crate) mod raw_clap;
    pub(crate) mod shared;
}

use hosts::raw::RawHost;
use hosts::raw_clap::RawClap;
use hosts::shared::{Audio, Layout, assert_same, key, programme};
use tenon_dsp::{Control, Settings};

const LAYOUT: Layout = Layout::StereoWithKey;
const RATE_HZ: f64 = 48_000.0;
const BLOCK: usize = 512;
/// Minutes until the match has learned and all memory is in use.
const SETTLED: usize = 5;

#[test]
fn hours_leave_no_trace() {
    let hours = std::env::var("TENON_SOAK_HOURS").unwrap_or_else(|_| "1".to_owned());
    let hours: usize = hours.parse().expect("TENON_SOAK_HOURS is a whole number of hours");
    let minutes = 60 * hours;
    assert!(minutes > SETTLED, "that is no time");

    let settings = Settings::default()
        .with(Control::KeySource, 1.0)
        .with(Control::Threshold, -30.0)
        .with(Control::Ratio, 4.0)
        .with(Control::Adaptive, 60.0)
        .with(Control::SideShare, 60.0)
        .with(Control::Drive, 6.0)
        .with(Control::Symmetry, 30.0)
        .with(Control::Mix, 80.0);
    let host = RawClap::started(&settings, RATE_HZ, BLOCK);
    let (sound, side) = (programme(LAYOUT, RATE_HZ, 1, 60.0), key(LAYOUT, RATE_HZ, 60.0));
    let mut minute = Minute { sound, side, output: vec![vec![0.0; 60 * RATE_HZ as usize]; 2] };

    let mut last = minute.output.clone();
    let mut settled = None;
    for number in 1..=minutes {
        minute.play(&host);
        let sound = minute.output.iter().flatten();
        let is_sound = sound.clone().all(|x| x.is_finite() && !x.is_subnormal());
        assert!(is_sound, "minute {number} is no sound");
        if number == SETTLED {
            let state = host.save();
            settled = Some((state, resident_pages()));
        }
    }
    let pages = resident_pages();
    let state = host.save();
    for (last, output) in last.iter_mut().zip(&minute.output) {
        last.copy_from_slice(output);
    }
    let (settled_state, settled_pages) = settled.expect("it went on for longer than that");
    println!(
        "{hours} h of audio: {settled_pages} pages in memory after {SETTLED} min, {pages} at the end"
    );
    assert_eq!(state, settled_state, "settings or match have drifted");
    assert_eq!(pages, settled_pages, "memory has grown or shrunk");

    let fresh = RawClap::load();
    assert!(fresh.restore(&state));
    fresh.activate(RATE_HZ, BLOCK);
    fresh.start();
    // The programme repeats each minute, so one of them brings a fresh instance to the same place.
    minute.play(&fresh);
    minute.play(&fresh);
    assert_same(&minute.output, &last, "the last minute of a long day");
}

/// A minute of programme and where it goes, so that nothing is allocated on the way.
struct Minute {
    sound: Audio,
    side: Audio,
    output: Audio,
}

impl Minute {
    fn play(&mut self, host: &RawClap) {
        host.play_into(&self.sound, &self.side, &mut self.output, BLOCK);
    }
}

/// Pages of this process that are in memory (`proc_pid_statm(5)`).
fn resident_pages() -> usize {
    let text = std::fs::read_to_string("/proc/self/statm").expect("Linux has it");
    text.split(' ').nth(1).and_then(|pages| pages.parse().ok()).expect("a number")
}
