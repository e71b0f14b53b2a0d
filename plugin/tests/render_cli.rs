//! The command line as people run it: the real program over files in a folder of its own.

mod common;

use std::fs;
use std::path::Path;
use std::process::Command;

use common::{Bench, RATE_HZ, Stereo, loudness, mono_loudness, text};
use serde_json::Value;

impl Bench {
    /// Renders, which must succeed; gives what was printed to stdout and to stderr.
    fn render(&self, arguments: &[&str]) -> (String, String) {
        self.succeed(&[&["render"], arguments].concat())
    }

    /// Renders, which must fail as every failure should; gives the message.
    fn refuse(&self, arguments: &[&str]) -> String {
        self.fail(&[&["render"], arguments].concat())
    }
}

/// Drums of a kind: two hits a second, a low thud in the middle, rattling noise off the middle.
fn drums(seconds: f32) -> Stereo {
    let mut noise = 1u32;
    let mut hiss = move || {
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        noise as f32 / u32::MAX as f32 - 0.5
    };
    (0..(seconds * RATE_HZ as f32) as usize)
        .map(|i| {
            let since_hit = (i % 24_000) as f32 / RATE_HZ as f32;
            let thud = (since_hit * 60.0 * std::f32::consts::TAU).sin() * (-since_hit * 9.0).exp();
            let rattle = |hiss: f32| hiss * (-since_hit * 14.0).exp();
            let middle = 0.3 * thud + 0.5 * rattle(hiss());
            let side = 0.15 * rattle(hiss());
            [middle + side, middle - side]
        })
        .collect()
}

/// A steady tone, the same left and right.
fn tone(amplitude: f32, seconds: f32) -> Stereo {
    (0..(seconds * RATE_HZ as f32) as usize)
        .map(|i| {
            let turns = 500.0 * i as f32 / RATE_HZ as f32;
            [amplitude * (turns * std::f32::consts::TAU).sin(); 2]
        })
        .collect()
}

fn largest_difference(a: &[[f32; 2]], b: &[[f32; 2]]) -> f32 {
    assert_eq!(a.len(), b.len());
    let pairs = a.as_flattened().iter().zip(b.as_flattened());
    pairs.map(|(a, b)| (a - b).abs()).fold(0.0, f32::max)
}

/// What the loudness match is for: the written file is as loud as the input.
#[test]
fn a_render_is_as_loud_as_its_input() {
    let bench = Bench::new();
    let input = drums(6.0);
    bench.write("in.wav", &input);
    let before = loudness(&input);
    for settings in [
        &["--preset", "drum subgroup"] as &[_],
        &["--preset", "warm drums"],
        &["--preset", "master bus"],
        &["--preset", "percussion bus"],
        &["--preset", "parallel drums"],
        &["--preset", "mid only"],
        &["--set", "threshold=-40", "--set", "ratio=10", "--format", "32f"],
        &["--set", "input_trim=-12", "--set", "makeup=-6", "--set", "threshold=-30"],
        &["--set", "drive=18", "--set", "symmetry=50", "--format", "32f"],
    ] {
        let arguments = [&["in.wav", "-o", "out.wav", "--json", "out.json"], settings].concat();
        let (_, notes) = bench.render(&arguments);
        assert_eq!(notes, "", "{settings:?}");
        let error = loudness(&bench.read("out.wav")) - before;
        assert!(error.abs() < 0.05, "{settings:?}: {error} LU");
        let json = bench.json("out.json");
        assert!(json["match"]["error_lu"].as_f64().unwrap().abs() < 0.05);
    }
}

#[test]
fn the_output_trim_comes_after_the_match() {
    let bench = Bench::new();
    let input = drums(4.0);
    bench.write("in.wav", &input);
    bench.render(&["in.wav", "-o", "out.wav", "--set", "output_trim=-6", "--json", "out.json"]);
    let change = loudness(&bench.read("out.wav")) - loudness(&input);
    assert!((change + 6.0).abs() < 0.05, "{change} LU");
    let error = bench.json("out.json")["match"]["error_lu"].as_f64().unwrap();
    assert!(error.abs() < 0.05, "{error} LU");
}

#[test]
fn a_match_out_of_reach_stops_at_its_bound_and_says_so() {
    let bench = Bench::new();
    bench.write("in.wav", &tone(0.01, 2.0));
    let arguments = ["in.wav", "-o", "out.wav", "--format", "32f", "--json", "out.json"];
    let loud = ["--set", "ratio=1", "--set", "input_trim=20", "--set", "makeup=20"];
    let (_, notes) = bench.render(&[&arguments[..], &loud].concat());
    assert!(notes.contains("would need -40.00 dB and stops at -24.00 dB"), "{notes}");
    let json = bench.json("out.json");
    assert_eq!(json["match"]["gain_db"], -24.0);
    let error = json["match"]["error_lu"].as_f64().unwrap();
    assert!((error - 16.0).abs() < 0.05, "{error} LU");
}

#[test]
fn table_and_json_tell_what_is_in_the_file() {
    let bench = Bench::new();
    let input = drums(4.0);
    bench.write("in.wav", &input);
    let (table, notes) = bench.render(&[
        "in.wav",
        "--output",
        "out.wav",
        "--json",
        "figures.json",
        "--format",
        "32f",
        "--preset",
        "Mid only",
        "--set",
        "ratio=4:1",
        "--set",
        "ratio=3:1",
    ]);
    assert_eq!(notes, "");
    for word in [
        "before",
        "after",
        "Loudness",
        "LUFS",
        "True peak",
        "dBTP",
        "Side/mid",
        "Gain reduction",
        "on average while it worked",
        "Loudness match",
        "Peak/loudness",
        "Correlation",
        "Togetherness",
        "Wrote out.wav",
        "Wrote figures.json",
    ] {
        assert!(table.contains(word), "{word} is not in\n{table}");
    }

    let json = bench.json("figures.json");
    let figure = |group: &str, name: &str| json[group][name].as_f64().unwrap();
    let output = bench.read("out.wav");
    assert!((figure("loudness", "before_lufs") - loudness(&input)).abs() < 0.001);
    assert!((figure("loudness", "after_lufs") - loudness(&output)).abs() < 0.001);
    for (name, audio) in [("before_dbtp", &input), ("after_dbtp", &output)] {
        let peak = audio.as_flattened().iter().fold(0f32, |peak, s| peak.max(s.abs()));
        let peak_db = 20.0 * f64::from(peak).log10();
        let over = figure("true_peak", name) - peak_db;
        assert!((-0.001..3.0).contains(&over), "{name}: {over} dB");
    }
    // Only the middle is held, and the match lifts both, so the side comes forward.
    let forward = figure("side_mid", "after_db") - figure("side_mid", "before_db");
    assert!(forward > 0.1, "{forward} dB");
    let (max, mean) = (figure("gain_reduction", "max_db"), figure("gain_reduction", "mean_db"));
    assert!(max > mean && mean > 0.1, "{max} dB, {mean} dB");
    assert!(figure("match", "gain_db") > 0.0);

    let crest = figure("true_peak", "after_dbtp") - figure("loudness", "after_lufs");
    assert!((figure("peak_to_loudness", "after_db") - crest).abs() < 1e-9);
    assert!((-1.0..=1.0).contains(&figure("correlation", "after")));
    let series = json["togetherness"]["series"].as_array().unwrap();
    let times: Vec<f64> = series.iter().map(|point| point["time_s"].as_f64().unwrap()).collect();
    assert_eq!(times, [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0]);
    let read: Vec<f64> = series.iter().filter_map(|point| point["percent"].as_f64()).collect();
    assert!(!read.is_empty() && series[0]["percent"].is_null(), "{series:?}");
    let mean = read.iter().sum::<f64>() / read.len() as f64;
    assert!((figure("togetherness", "percent") - mean).abs() < 1e-9);

    let mut keys: Vec<&str> = json.as_object().unwrap().keys().map(String::as_str).collect();
    keys.sort_unstable();
    assert_eq!(
        keys,
        [
            "correlation",
            "gain_reduction",
            "inputs",
            "key",
            "loudness",
            "match",
            "output",
            "peak_to_loudness",
            "preset",
            "recovery",
            "settings",
            "side_mid",
            "togetherness",
            "true_peak",
            "version"
        ]
    );
    assert_eq!(json["preset"], "Mid only");
    assert_eq!(json["settings"]["ratio"], 3.0);
    assert_eq!(json["settings"]["side_share"], 0.0);
    assert_eq!(json["version"], env!("CARGO_PKG_VERSION"));
}

/// Gain reduction as the files have it: the largest within a second, averaged over the middle half of
/// all seconds with sound, in dB.
fn typical_reduction(input: &Stereo, output: &Stereo, trim_db: f32) -> f64 {
    let tenth = RATE_HZ as usize / 10;
    let pairs = input.as_flattened().iter().zip(output.as_flattened());
    let largest: Vec<f32> = pairs
        .map(|(x, y)| if x.abs() > 0.001 { trim_db - 20.0 * (y / x).abs().log10() } else { 0.0 })
        .collect::<Vec<_>>()
        .chunks_exact(2 * tenth)
        .map(|reductions| reductions.iter().copied().fold(0.0, f32::max))
        .collect();
    let heard: Vec<bool> = (input.as_flattened().chunks_exact(2 * tenth))
        .map(|samples| samples.iter().any(|x| x.abs() > 0.001))
        .collect();
    let mut seconds: Vec<f32> = (largest.windows(10).zip(heard.windows(10)))
        .filter(|(_, heard)| heard.contains(&true))
        .map(|(second, _)| second.iter().copied().fold(0.0, f32::max))
        .collect();
    seconds.sort_by(f32::total_cmp);
    let middle = &seconds[seconds.len() / 4..seconds.len() - seconds.len() / 4];
    f64::from(middle.iter().sum::<f32>()) / middle.len() as f64
}

#[test]
fn a_threshold_is_found_for_a_typical_maximum_reduction() {
    let bench = Bench::new();
    let pause = vec![[0.0; 2]; 2 * RATE_HZ as usize];
    let rising: Stereo = (0..5).flat_map(|step| tone(0.05 * 1.4f32.powi(step), 1.0)).collect();
    let one_sided: Stereo =
        drums(4.0).into_iter().map(|[left, right]| [left, 0.3 * right]).collect();
    for (name, input) in [
        ("drums.wav", drums(4.0)),
        ("pause.wav", [drums(3.0), pause, drums(2.0)].concat()),
        ("rising.wav", rising),
        ("one-sided.wav", one_sided),
    ] {
        bench.write(name, &input);
        for (target_db, settings) in [
            ("1", &["--preset", "master bus"] as &[_]),
            ("2", &["--preset", "drum subgroup"]),
            ("2", &["--set", "ratio=4", "--set", "attack=0.1", "--set", "release=30"]),
            ("3.5", &["--set", "ratio=8", "--set", "knee=0", "--set", "attack=60"]),
            ("2", &["--set", "adaptive=100", "--set", "release=600", "--set", "detector_window=0"]),
            ("1.5", &["--set", "stereo_link=20", "--set", "key_highpass=200"]),
            ("6", &["--set", "ratio=6", "--set", "detector_window=50", "--set", "input_trim=6"]),
        ] {
            // Nothing but the gain reduction lies between input and output.
            let plain = ["--set", "loudness_match=off", "--set", "makeup=0", "--format", "32f"];
            let files = [name, "-o", "out.wav", "--json", "out.json", "--target-gr", target_db];
            let (table, notes) = bench.render(&[&files[..], settings, &plain].concat());
            assert_eq!(notes, "");
            let json = bench.json("out.json");
            let target: f64 = target_db.parse().unwrap();
            let typical = json["gain_reduction"]["typical_max_db"].as_f64().unwrap();
            let what = format!("{name} {settings:?}: {typical} dB for {target} dB");
            assert!((typical - target).abs() < 0.05, "{what}");
            assert_eq!(json["gain_reduction"]["target_db"], target);
            let threshold = json["settings"]["threshold"].as_f64().unwrap();
            let said = format!("{threshold:.2} dB found for {target:.2} dB of typical maximum");
            assert!(table.contains(&said), "{said} is not in {table}");
            let trim_db = json["settings"]["input_trim"].as_f64().unwrap() as f32;
            let heard = typical_reduction(&input, &bench.read("out.wav"), trim_db);
            assert!((heard - target).abs() < 0.2, "{what}, {heard} dB in the files");
        }
    }
}

#[test]
fn a_threshold_that_cannot_be_found_says_why() {
    let bench = Bench::new();
    bench.write("in.wav", &drums(4.0));
    bench.write("short.wav", &drums(0.6));
    bench.write("silent.wav", &vec![[0.0; 2]; 4 * RATE_HZ as usize]);
    for (file, arguments, parts) in [
        (
            "in.wav",
            &["2", "--set", "threshold=-20"] as &[&str],
            &["threshold is set to -20.00 dB", "leave one"] as &[&str],
        ),
        ("in.wav", &["12.5"], &["0.5 dB to 12 dB"]),
        ("in.wav", &["much"], &["0.5 dB to 12 dB"]),
        (
            "in.wav",
            &["2", "--set", "ratio=1"],
            &["2 dB of typical maximum reduction", "raise the ratio"],
        ),
        ("in.wav", &["3", "--set", "range=2"], &["stops every reduction at 2.00 dB"]),
        ("in.wav", &["12", "--set", "ratio=1.1"], &["even at -60 dB it is", "raise the ratio"]),
        (
            "in.wav",
            &["0.5", "--set", "input_trim=24"],
            &["even at 0 dB it is", "lower the input trim"],
        ),
        ("short.wav", &["2"], &["0.6 s with signal", "2 s are needed"]),
        ("silent.wav", &["2"], &["nothing rises above -60 dB", "if there is sound"]),
    ] {
        let message = bench.refuse(&[&[file, "-o", "out.wav", "--target-gr"], arguments].concat());
        for part in parts {
            assert!(message.contains(part), "{part} is not in {message}");
        }
    }
}

#[test]
fn formats_hold_the_same_audio() {
    let bench = Bench::new();
    bench.write("in.wav", &drums(2.0));
    bench.render(&["in.wav", "-o", "32f.wav", "--format", "32f"]);
    let exact = bench.read("32f.wav");
    for (name, arguments, bits, step) in [
        ("16.wav", &["--format", "16"] as &[&str], 16, 1.0 / 32_768.0),
        ("24.wav", &["--format", "24"], 24, 1.0 / 8_388_608.0),
        ("default.wav", &[], 24, 1.0 / 8_388_608.0),
    ] {
        bench.render(&[&["in.wav", "-o", name], arguments].concat());
        let spec = hound::WavReader::open(bench.path(name)).unwrap().spec();
        assert_eq!((spec.bits_per_sample, spec.sample_rate), (bits, RATE_HZ));
        // Rounding takes half a step, dither up to one more.
        let difference = largest_difference(&bench.read(name), &exact);
        assert!(difference <= 1.5 * step, "{name}: {difference}");
    }
    let first = fs::read(bench.path("16.wav")).unwrap();
    bench.render(&["in.wav", "-o", "16.wav", "--format", "16"]);
    assert_eq!(first, fs::read(bench.path("16.wav")).unwrap());
}

#[test]
fn a_render_is_of_the_finest_quality_unless_told_otherwise() {
    let bench = Bench::new();
    bench.write("in.wav", &drums(1.0));
    let render = |arguments: &[&str]| {
        let usual = ["in.wav", "-o", "out.wav", "--json", "out.json", "--format", "32f"];
        bench.render(&[&usual[..], arguments].concat());
        (bench.json("out.json")["settings"]["quality"].clone(), bench.read("out.wav"))
    };
    let (quality, finest) = render(&["--set", "drive=12"]);
    assert_eq!(quality, "8x");
    assert_eq!(render(&["--preset", "warm drums"]).0, "8x");
    let (quality, named) = render(&["--set", "drive=12", "--set", "quality=8x"]);
    assert_eq!((quality, &named), ("8x".into(), &finest));
    let (quality, coarser) = render(&["--set", "drive=12", "--set", "quality=4x"]);
    assert_eq!(quality, "4x");
    assert!(largest_difference(&coarser, &finest) > 0.0);
}

#[test]
fn latency_is_taken_off_the_beginning_and_made_up_at_the_end() {
    const FRAMES: usize = 10_000;
    let bench = Bench::new();
    let mut input = vec![[0.0; 2]; FRAMES];
    // The last one would be lost if the end were not waited for.
    let hits = [5_000, FRAMES - 1];
    hits.iter().for_each(|&at| input[at] = [0.5; 2]);
    bench.write("in.wav", &input);
    let usual = ["in.wav", "-o", "out.wav", "--format", "32f", "--set", "ratio=1"];
    let louder = |audio: &Stereo| -> Vec<usize> {
        (0..audio.len()).filter(|&n| audio[n][0].abs() > 0.3).collect()
    };
    for quality in ["quality=1x", "quality=2x", "quality=4x", "quality=8x"] {
        let render = |arguments: &[&str]| {
            bench.render(&[&usual[..], &["--set", quality, "--set"], arguments].concat());
            bench.read("out.wav")
        };
        assert_eq!(render(&["drive=0"]), input, "{quality}");
        let driven = render(&["drive=3"]);
        assert_eq!((driven.len(), louder(&driven)), (FRAMES, hits.to_vec()), "{quality}");
        let kept = render(&["drive=3", "--keep-latency"]);
        let latency = kept.len() - FRAMES;
        assert_eq!(latency > 0, quality != "quality=1x");
        assert_eq!(louder(&kept), hits.map(|at| at + latency), "{quality}");
        assert_eq!(kept[latency..], driven, "{quality}");
        let ahead = render(&["lookahead=7.5", "--set", "drive=3"]);
        // The bias that keeps the stage from stalling rests a little longer before the programme.
        assert!(largest_difference(&ahead, &driven) < 1e-9, "{quality}");
        let kept = render(&["lookahead=7.5", "--set", "drive=3", "--keep-latency"]);
        assert_eq!(kept.len(), FRAMES + latency + 360, "{quality}");
        assert_eq!(kept[latency + 360..], ahead, "{quality}");
    }
}

/// The drums hit twice a second: every beat at 120 bpm, every half beat at 60.
#[test]
fn a_tempo_gives_notes_their_length_and_figures_in_beats() {
    let bench = Bench::new();
    bench.write("in.wav", &drums(8.0));
    let render = |arguments: &[&str]| {
        let usual = ["in.wav", "-o", "out.wav", "--json", "out.json", "--set", "threshold=-30"];
        let usual = [&usual[..], &["--format", "32f"]].concat();
        let (table, notes) = bench.render(&[&usual, arguments].concat());
        (table, notes, bench.json("out.json")["recovery"].clone(), bench.read("out.wav"))
    };
    let (_, _, _, in_ms) = render(&["--set", "release=250"]);
    let note = ["--set", "release_note=1/8"];
    let (table, notes, recovery, at_120) = render(&[&note[..], &["--tempo", "120"]].concat());
    assert_eq!(notes, "");
    assert!(table.contains("dB left at the next beat"), "{table}");
    assert_eq!(largest_difference(&at_120, &in_ms), 0.0, "1/8 at 120 bpm is 250 ms");
    let figure = |name: &str| recovery[name].as_f64().unwrap();
    assert_eq!((figure("tempo_bpm"), figure("hits")), (120.0, 16.0));
    let (seconds, beats) = (figure("mean_s"), figure("mean_beats"));
    assert!((beats - 2.0 * seconds).abs() < 1e-6 && seconds > 0.2, "{seconds} s, {beats} beats");
    assert!(figure("left_at_beat_db") > 0.1);
    let (_, _, _, at_60) = render(&[&note[..], &["--tempo", "60"]].concat());
    assert!(largest_difference(&at_60, &in_ms) > 0.001);

    // What is typed in the editor's field goes here too, and what is out of range is told.
    let (_, notes, _, typed) = render(&["--set", "release=1/8", "--tempo", "120"]);
    assert_eq!((largest_difference(&typed, &at_120), notes.as_str()), (0.0, ""));
    let (_, notes, ..) = render(&["--set", "attack=1/1", "--tempo", "60"]);
    assert!(notes.contains("beyond what attack takes, so it is 250.00 ms"), "{notes}");

    let (table, notes, recovery, without) = render(&note);
    assert!(notes.contains("release_note is 1/8 and there is no tempo"), "{notes}");
    assert!(notes.contains("150.0 ms") && notes.contains("--tempo"), "{notes}");
    assert!(table.contains(" s until 63 % were back"), "{table}");
    assert!(recovery["mean_beats"].is_null() && recovery["left_at_beat_db"].is_null());
    assert_eq!(largest_difference(&without, &render(&["--set", "release=150"]).3), 0.0);
}

#[test]
fn quantities_are_typed_with_their_unit_or_without() {
    let bench = Bench::new();
    bench.write("in.wav", &drums(4.0));
    let figures = |tempo: &str, target: &str| {
        let files = ["in.wav", "-o", "out.wav", "--json", "out.json"];
        bench.render(&[&files[..], &["--tempo", tempo, "--target-gr", target]].concat());
        let json = bench.json("out.json");
        [&json["recovery"]["tempo_bpm"], &json["gain_reduction"]["target_db"]]
            .map(|value| value.as_f64().unwrap())
    };
    for (tempo, target) in [("96.5", "1.5"), ("96.5bpm", "1.5dB"), ("96,5 BPM", "1,5 db")] {
        assert_eq!(figures(tempo, target), [96.5, 1.5], "{tempo}, {target}");
    }
}

#[test]
fn inputs_are_summed_and_padded() {
    let bench = Bench::new();
    let (long, short) = (tone(0.1, 1.0), drums(0.5));
    bench.write("long.wav", &long);
    bench.write("short.wav", &short);
    let mut sum = long;
    for (sum, sample) in sum.iter_mut().zip(&short) {
        *sum = [sum[0] + sample[0], sum[1] + sample[1]];
    }
    for inputs in [["long.wav", "short.wav"], ["short.wav", "long.wav"]] {
        bench.render(&[
            inputs[0],
            inputs[1],
            "-o",
            "out.wav",
            "--set",
            "bypass=on",
            "--format",
            "32f",
        ]);
        assert_eq!(bench.read("out.wav"), sum);
    }
}

/// One channel of the drums.
fn mono_drums(seconds: f32) -> Vec<f32> {
    drums(seconds).into_iter().map(|[left, _]| left).collect()
}

#[test]
fn a_mono_file_stays_mono_and_as_loud() {
    let bench = Bench::new();
    let input = mono_drums(6.0);
    bench.write_mono("in.wav", &input);
    // The same on two channels: to the compressor it is the same.
    bench.write("twice.wav", &input.iter().map(|sample| [*sample; 2]).collect());
    for settings in [&["--preset", "drum"][..], &["--preset", "parallel", "--target-gr", "2"]] {
        for name in ["in", "twice"] {
            let file = |end: &str| format!("{name}{end}");
            let [input, output, json] = [".wav", "-out.wav", "-out.json"].map(file);
            let files = [&input, "-o", &output, "--json", &json, "--format", "32f", "--compare"];
            let (table, notes) = bench.render(&[&files, settings].concat());
            assert_eq!(notes, "", "{settings:?}");
            if name == "in" {
                assert!(table.contains("Correlation                 -            -"), "{table}");
                assert!(table.contains("Side/mid                 - dB         - dB"), "{table}");
            }
        }
        let (output, twice) = (bench.read_mono("in-out.wav"), bench.read("twice-out.wav"));
        let [before, after] = [&input, &output].map(|samples| mono_loudness(samples));
        assert!((after - before).abs() < 0.05, "{settings:?}: {before} and {after} LUFS");
        let dry = mono_loudness(&bench.read_mono("in-out-dry-matched.wav"));
        assert!((after - dry).abs() < 0.05, "{settings:?}: {dry} LUFS");
        assert_eq!(output.len(), twice.len());
        let apart = output.iter().zip(&twice).map(|(one, two)| (one - two[0]).abs());
        assert!(apart.fold(0.0, f32::max) < 1e-5, "{settings:?}");
        let [mono, stereo] = ["in-out.json", "twice-out.json"].map(|json| bench.json(json));
        assert_eq!(mono["gain_reduction"], stereo["gain_reduction"], "{settings:?}");
        // The side was silent anyway.
        assert_eq!(mono["togetherness"], stereo["togetherness"], "{settings:?}");
        let told = mono["loudness"]["before_lufs"].as_f64().unwrap();
        assert!((told - before).abs() < 1e-3, "{told} and {before} LUFS");
    }
}

#[test]
fn a_mono_track_sounds_on_both_sides_of_a_stereo_bus() {
    let bench = Bench::new();
    bench.write("stereo.wav", &tone(0.1, 1.0));
    let track: Vec<f32> = tone(0.05, 1.0).into_iter().map(|[left, _]| left).collect();
    bench.write_mono("mono.wav", &track);
    let still =
        ["-o", "out.wav", "--format", "32f", "--set", "ratio=1", "--set", "loudness_match=off"];
    let sum: Stereo = tone(0.1, 1.0)
        .into_iter()
        .zip(&track)
        .map(|(frame, mono)| frame.map(|sample| sample + mono))
        .collect();
    for files in [["stereo.wav", "mono.wav"], ["mono.wav", "stereo.wav"]] {
        bench.render(&[&files[..], &still].concat());
        assert!(largest_difference(&bench.read("out.wav"), &sum) < 1e-6, "{files:?}");
    }
    // A mono key moves a stereo bus, and a stereo one is too much for a mono bus.
    let key = |bus: &'static str, key: &'static str| [&[bus, "--key", key][..], &still].concat();
    bench.render(&key("stereo.wav", "mono.wav"));
    bench.render(&key("mono.wav", "mono.wav"));
    let message = bench.refuse(&key("mono.wav", "stereo.wav"));
    assert!(message.contains("mono.wav: is mono where stereo.wav is stereo; export"), "{message}");
}

/// Drums with noise all over, which line up in one way only.
fn noisy_drums(seconds: f32) -> Stereo {
    let mut noise = 7u32;
    let mut next = || {
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        0.02 * (noise as f32 / u32::MAX as f32 - 0.5)
    };
    drums(seconds).into_iter().map(|frame| frame.map(|sample| sample + next())).collect()
}

#[test]
fn compare_says_what_is_turned_over() {
    let bench = Bench::new();
    let programme = noisy_drums(3.0);
    bench.write("in.wav", &programme);
    let turned: Stereo = programme.iter().map(|frame| frame.map(|sample| -sample)).collect();
    bench.write("inverted.wav", &turned);
    let swapped: Stereo = programme.iter().map(|[left, right]| [*right, *left]).collect();
    bench.write("swapped.wav", &swapped);
    for (after, how) in [
        ("inverted.wav", "inverted.wav is inverted in polarity against in.wav"),
        ("swapped.wav", "swapped.wav is left for right against in.wav"),
    ] {
        let notes = bench.succeed(&["compare", "in.wav", after]).1;
        assert!(notes.contains(how), "{notes}");
    }
}

#[test]
fn what_comes_out_much_louder_or_untouched_or_is_named_twice_is_told() {
    let bench = Bench::new();
    bench.write("in.wav", &drums(3.0));
    let notes = |arguments: &[&str]| {
        bench
            .succeed(
                &[&["render", "in.wav", "-o", "out.wav", "--format", "32f"], arguments].concat(),
            )
            .1
    };
    let louder = notes(&["--set", "loudness_match=off", "--set", "makeup=12", "--set", "ratio=1"]);
    assert!(
        louder.contains("out.wav: is 12.0 LU louder than what came in; turn the monitors down"),
        "{louder}"
    );
    assert!(!louder.contains("Nothing rose"), "{louder}");
    let idle = notes(&["--set", "threshold=0", "--set", "knee=0"]);
    assert!(idle.contains("Nothing rose above 0.00 dB, so nothing was compressed"), "{idle}");
    let twice = notes(&["in.wav"]);
    assert!(twice.contains("in.wav: is named 2 times, and is in the sum as often"), "{twice}");
    let thrice = notes(&["in.wav", "in.wav"]);
    assert_eq!(thrice.matches("is named 3 times").count(), 1, "{thrice}");
    assert_eq!(notes(&["--set", "threshold=-30"]), "");
    // Without a range, or without sound, it is not the threshold.
    assert_eq!(notes(&["--set", "range=0", "--set", "threshold=0"]), "");
    bench.write("silent.wav", &vec![[0.0; 2]; 48_000]);
    let silent = bench.succeed(&["render", "silent.wav", "-o", "still.wav"]).1;
    assert!(!silent.contains("Nothing rose"), "{silent}");
}

#[test]
fn compare_says_by_how_much_files_are_out_of_time() {
    let bench = Bench::new();
    // A silent beginning, longer than what is looked at.
    let silence = vec![[0.0; 2]; 700_000];
    let late = |by: usize, audio: &Stereo| [&silence[..by], audio].concat();
    let short = noisy_drums(3.0);
    let long = late(700_000, &short);
    for (name, audio) in [
        ("in.wav", short.clone()),
        ("late.wav", late(70, &short)),
        ("far.wav", late(20_000, &short)),
        ("long.wav", long.clone()),
        ("long-late.wav", late(1, &long)),
    ] {
        bench.write(name, &audio);
    }
    bench.render(&["in.wav", "-o", "out.wav", "--preset", "parallel"]);
    bench.render(&["in.wav", "-o", "kept.wav", "--preset", "parallel", "--keep-latency"]);
    let said = |before: &str, after: &str| bench.succeed(&["compare", before, after]).1;
    for (before, after) in [("in.wav", "in.wav"), ("in.wav", "out.wav"), ("long.wav", "long.wav")] {
        assert_eq!(said(before, after), "", "{before} and {after}");
    }
    for (before, after, how) in [
        ("in.wav", "late.wav", "late.wav is 70 samples (1.458 ms) late against in.wav"),
        ("in.wav", "late.wav", "Cut 70 samples off the beginning of late.wav and compare again."),
        ("late.wav", "in.wav", "in.wav is 70 samples (1.458 ms) early against late.wav"),
        ("late.wav", "in.wav", "Cut 70 samples off the beginning of late.wav and compare again."),
        // The latency at 8x, which a render takes off unless it is told to keep it.
        ("in.wav", "kept.wav", "kept.wav is 72 samples (1.500 ms) late against in.wav"),
        ("long.wav", "long-late.wav", "long-late.wav is 1 sample (0.021 ms) late"),
        ("in.wav", "far.wav", "far.wav does not line up with in.wav within 200 ms"),
    ] {
        let said = said(before, after);
        assert!(said.contains(how), "{how} is not in {said}");
    }
}

#[test]
fn compare_measures_mono_files_and_refuses_unlike_ones() {
    let bench = Bench::new();
    bench.write_mono("in.wav", &mono_drums(6.0));
    bench.render(&["in.wav", "-o", "out.wav", "--format", "32f", "--json", "render.json"]);
    bench.succeed(&["compare", "in.wav", "out.wav", "--json", "compare.json"]);
    let (rendered, compared) = (bench.json("render.json"), bench.json("compare.json"));
    for group in ["loudness", "true_peak", "peak_to_loudness", "side_mid", "correlation"] {
        assert_eq!(compared[group], rendered[group], "{group}");
    }
    bench.write("stereo.wav", &drums(6.0));
    for files in [["in.wav", "stereo.wav"], ["stereo.wav", "in.wav"]] {
        let message = bench.fail(&[&["compare"], &files[..]].concat());
        assert!(message.contains("in.wav: is mono where stereo.wav is stereo"), "{message}");
    }
}

#[test]
fn compressed_files_are_read() {
    let bench = Bench::new();
    for name in ["tones.flac", "tones.ogg", "tones.mp3"] {
        let input = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name);
        bench.render(&[input.to_str().unwrap(), "-o", "out.wav"]);
        let wav = hound::WavReader::open(bench.path("out.wav")).unwrap();
        assert_eq!((wav.spec().sample_rate, wav.duration()), (44_100, 22_050));
    }
}

#[test]
fn sample_rates_from_8_to_768_khz() {
    let bench = Bench::new();
    for rate_hz in [8_000, 11_025, 44_100, 192_000, 768_000] {
        bench.write_at("in.wav", &drums(1.0), rate_hz);
        bench.render(&["in.wav", "-o", "out.wav"]);
        let wav = hound::WavReader::open(bench.path("out.wav")).unwrap();
        assert_eq!((wav.spec().sample_rate, wav.duration()), (rate_hz, RATE_HZ));
    }
}

#[test]
fn an_external_key_moves_the_gain_and_is_padded() {
    let bench = Bench::new();
    let input = tone(0.05, 2.0);
    bench.write("in.wav", &input);
    bench.write("key.wav", &tone(0.8, 0.5));
    let (_, notes) = bench.render(&[
        "in.wav",
        "-o",
        "out.wav",
        "--key",
        "key.wav",
        "--format",
        "32f",
        "--json",
        "out.json",
        "--set",
        "loudness_match=off",
        "--set",
        "threshold=-30",
        "--set",
        "release=50",
    ]);
    assert_eq!(notes, "");
    let output = bench.read("out.wav");
    assert_eq!(output.len(), input.len());
    let peak = |audio: &Stereo, at: usize| {
        audio[at..at + 4_800].iter().fold(0f32, |peak, s| peak.max(s[0].abs()))
    };
    let change_db = |at| 20.0 * (peak(&output, at) / peak(&input, at)).log10();
    // While the key plays it pulls the tone down; a second after its end, it no longer does.
    assert!(change_db(16_800) < -6.0, "{} dB", change_db(16_800));
    assert!(change_db(86_400).abs() < 0.01, "{} dB", change_db(86_400));
    let json = bench.json("out.json");
    assert_eq!(json["key"], "key.wav");
    assert_eq!(json["settings"]["key_source"], "external");
    assert_eq!(json["match"]["gain_db"], Value::Null);
    assert_eq!(json["match"]["error_lu"], Value::Null);
}

#[test]
fn the_dry_file_is_the_input_at_the_loudness_of_the_output() {
    let bench = Bench::new();
    let input = drums(3.0);
    bench.write("in.wav", &input);
    let (table, _) = bench.render(&[
        "in.wav",
        "-o",
        "out.wav",
        "--compare",
        "--format",
        "32f",
        "--set",
        "loudness_match=off",
        "--set",
        "makeup=3",
    ]);
    assert!(table.contains("Wrote out-dry-matched.wav"), "{table}");
    let (output, dry) = (bench.read("out.wav"), bench.read("out-dry-matched.wav"));
    let difference = loudness(&dry) - loudness(&output);
    assert!(difference.abs() < 0.01, "{difference} LU");
    let gain = dry[100][0] / input[100][0];
    assert!((gain - 1.0).abs() > 0.1, "{gain}");
    let scaled: Stereo = input.iter().map(|s| [s[0] * gain, s[1] * gain]).collect();
    assert!(largest_difference(&dry, &scaled) < 1e-6);
}

#[test]
fn listening_controls_act_on_the_output_and_leave_the_match_alone() {
    let bench = Bench::new();
    let input = drums(3.0);
    bench.write("in.wav", &input);
    let render = |settings: &[&str]| {
        let arguments = ["in.wav", "-o", "out.wav", "--format", "32f", "--json", "out.json"];
        bench.render(&[&arguments, settings].concat());
        (bench.read("out.wav"), bench.json("out.json"))
    };
    let (processed, plain) = render(&[]);
    assert!(plain["match"]["error_lu"].is_f64());
    let [bypassed, compared, delta, key] =
        ["bypass=on", "compare=on", "listen=delta", "listen=key"].map(|setting| {
            let (heard, json) = render(&["--set", setting]);
            let gain_db = &json["match"]["gain_db"];
            assert_eq!(*gain_db, plain["match"]["gain_db"], "{setting}");
            assert_eq!(json["match"]["error_lu"], Value::Null, "{setting}");
            heard
        });
    assert_eq!(bypassed, input);
    for heard in [&compared, &key] {
        assert!(largest_difference(heard, &processed) > 0.01);
    }
    // Delta is what separates the two that compare plays.
    let sum: Stereo = delta
        .iter()
        .zip(&compared)
        .map(|(delta, dry)| [delta[0] + dry[0], delta[1] + dry[1]])
        .collect();
    assert!(largest_difference(&sum, &processed) < 1e-6);
}

#[test]
fn silence_has_no_figures_and_is_no_error() {
    let bench = Bench::new();
    bench.write("in.wav", &vec![[0.0; 2]; 48_000]);
    let (table, notes) =
        bench.render(&["in.wav", "-o", "out.wav", "--compare", "--json", "out.json"]);
    assert!(notes.contains("There is no loudness to match: "), "{notes}");
    assert!(table.contains("- LUFS"), "{table}");
    let json = bench.json("out.json");
    assert_eq!(json["match"]["gain_db"], 0.0);
    for (group, name) in [
        ("match", "error_lu"),
        ("loudness", "before_lufs"),
        ("loudness", "after_lufs"),
        ("true_peak", "after_dbtp"),
        ("side_mid", "before_db"),
        ("gain_reduction", "mean_db"),
    ] {
        assert_eq!(json[group][name], Value::Null, "{group}.{name}");
    }
    assert_eq!(bench.read("out.wav"), vec![[0.0; 2]; 48_000]);
}

#[test]
fn what_lies_beyond_full_scale_is_clipped_counted_and_remedied() {
    let bench = Bench::new();
    let input = tone(0.5, 1.0);
    bench.write("in.wav", &input);
    let loud = |more: &[&str]| {
        let arguments = ["in.wav", "-o", "out.wav", "--set", "loudness_match=off"];
        let (_, notes) = bench.render(&[&arguments, more].concat());
        (bench.read("out.wav"), notes)
    };
    let (float, notes) = loud(&["--set", "makeup=20", "--format", "32f"]);
    assert!(!notes.contains("clipped"), "{notes}");
    let beyond = float.as_flattened().iter().filter(|s| s.abs() > 1.0).count();
    assert!(beyond > 1000);
    for format in ["16", "24"] {
        let (clipped, notes) = loud(&["--set", "makeup=20", "--format", format]);
        assert!(notes.contains(&format!("out.wav: {beyond} samples were clipped")), "{notes}");
        assert!(notes.contains("--format 32f"), "{notes}");
        for (clipped, float) in clipped.as_flattened().iter().zip(float.as_flattened()) {
            assert!((clipped - float.clamp(-1.0, 1.0)).abs() < 1e-4);
        }
        let advice = notes.split("output_trim to ").nth(1).unwrap();
        let trim = format!("output_trim={}", advice.split(" dB").next().unwrap());
        let (_, notes) = loud(&["--set", "makeup=20", "--format", format, "--set", &trim]);
        assert!(!notes.contains("clipped"), "{notes} after {trim}");
    }
}

/// A WAV file with any header.
fn wav_bytes(channels: u16, rate_hz: u32, told: u32, data: &[u8]) -> Vec<u8> {
    let align = channels * 2;
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((36 + told).to_le_bytes());
    bytes.extend(b"WAVEfmt ");
    bytes.extend(16u32.to_le_bytes());
    bytes.extend(1u16.to_le_bytes());
    bytes.extend(channels.to_le_bytes());
    bytes.extend(rate_hz.to_le_bytes());
    bytes.extend((rate_hz * u32::from(align)).to_le_bytes());
    bytes.extend(align.to_le_bytes());
    bytes.extend(16u16.to_le_bytes());
    bytes.extend(b"data");
    bytes.extend(told.to_le_bytes());
    bytes.extend(data);
    bytes
}

#[test]
fn files_that_cannot_be_used_are_named_with_their_remedy() {
    let bench = Bench::new();
    bench.write("good.wav", &tone(0.1, 0.5));
    let data = [0u8; 1200];
    let recording = |name: &str| {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
        fs::read(folder.join(name)).unwrap()
    };
    let cut = |name: &str| {
        let mut bytes = recording(name);
        bytes.truncate(bytes.len() * 7 / 10);
        bytes
    };
    let mut chained = recording("tones.ogg");
    chained.extend(chained.clone());
    let mut flipped = recording("tones.ogg");
    *flipped.last_mut().unwrap() ^= 0x55;
    fs::create_dir(bench.path("folder")).unwrap();
    for (name, bytes, what, remedy) in [
        ("text.wav", b"not audio at all".repeat(99), "its format is unknown", "export it as WAV"),
        ("nothing.wav", Vec::new(), "is empty", "export it again"),
        ("empty.wav", wav_bytes(2, 48_000, 0, &[]), "is empty", "export it again"),
        (
            "surround.wav",
            wav_bytes(6, 48_000, 1200, &data),
            "has 6 channels",
            "fold it down to stereo or mono",
        ),
        (
            "cut.wav",
            wav_bytes(2, 48_000, 4000, &data),
            "is truncated: it says 1000 frames and has 300",
            "export it again",
        ),
        (
            "header.wav",
            wav_bytes(2, 48_000, 4, &[])[..30].to_vec(),
            "is truncated",
            "export it again",
        ),
        ("cut.flac", cut("tones.flac"), "is truncated", "export it again"),
        ("cut.mp3", cut("tones.mp3"), "is truncated", "export it again"),
        ("cut.ogg", cut("tones.ogg"), "is truncated", "export it again"),
        ("flipped.ogg", flipped, "is damaged", "export it again"),
        ("chained.ogg", chained, "several recordings", "split it"),
        ("still.wav", wav_bytes(2, 0, 1200, &data), "a sample rate of 0 Hz", "convert it"),
        ("slow.wav", wav_bytes(2, 7_999, 1200, &data), "a sample rate of 7999 Hz", "convert it"),
        (
            "fast.wav",
            wav_bytes(2, 768_001, 1200, &data),
            "a sample rate of 768001 Hz",
            "convert it",
        ),
        (
            "other.wav",
            wav_bytes(2, 44_100, 1200, &data),
            "has a sample rate of 44100 Hz where good.wav has 48000 Hz",
            "convert one of them",
        ),
    ] {
        fs::write(bench.path(name), bytes).unwrap();
        for arguments in [
            &["good.wav", name, "-o", "out.wav", "--compare", "--json", "out.json"] as &[_],
            &["good.wav", "--key", name, "-o", "out.wav"],
        ] {
            let message = bench.refuse(arguments);
            for part in [&format!("{name}: "), what, remedy] {
                assert!(message.contains(part), "{part} is not in {message}");
            }
        }
    }
    for (name, what, remedy) in [
        ("absent.wav", "no such file", "check name and folder"),
        ("folder", "is a folder", "name a file"),
    ] {
        let message = bench.refuse(&[name, "-o", "out.wav"]);
        for part in [&format!("{name}: "), what, remedy] {
            assert!(message.contains(part), "{part} is not in {message}");
        }
    }
}

/// Found by fuzzing: the reader's arithmetic overflows at so many channels.
#[test]
fn a_header_with_absurdly_many_channels_is_refused() {
    let bench = Bench::new();
    for channels in [0, 3, 33, 0xFFFF_u16] {
        let mut bytes = wav_bytes(2, RATE_HZ, 64, &[0; 64]);
        // Extensible, with a mask of speakers that does not fit the channels.
        let mut format = 0xFFFE_u16.to_le_bytes().to_vec();
        format.extend(channels.to_le_bytes());
        format.extend(&bytes[24..34]);
        format.extend(16_u16.to_le_bytes());
        format.extend(22_u16.to_le_bytes());
        format.extend(16_u16.to_le_bytes());
        format.extend(3_u32.to_le_bytes());
        format.extend([1, 0, 0, 0, 0, 0, 16, 0, 128, 0, 0, 170, 0, 56, 155, 113]);
        let length = (format.len() as u32).to_le_bytes();
        bytes.splice(16..36, length.into_iter().chain(format));
        fs::write(bench.path("in.wav"), &bytes).unwrap();
        let message = bench.refuse(&["in.wav", "-o", "out.wav"]);
        assert!(message.starts_with("error: in.wav: "), "{channels}: {message}");
        assert!(!message.contains("panicked"), "{message}");
    }
}

#[test]
fn samples_that_are_no_numbers_are_counted_and_placed() {
    let bench = Bench::new();
    let mut audio = tone(0.1, 0.5);
    audio[4_800][1] = f32::NAN;
    audio[9_600][0] = f32::NEG_INFINITY;
    bench.write("in.wav", &audio);
    let message = bench.refuse(&["in.wav", "-o", "out.wav"]);
    assert!(
        message.contains("in.wav: has 2 samples that are infinite or not a number, the first at frame 4800 (0.100 s)"),
        "{message}"
    );
}

#[test]
fn arguments_that_mean_nothing_are_named_with_their_remedy() {
    let bench = Bench::new();
    bench.write("in.wav", &tone(0.1, 0.5));
    for (arguments, parts) in [
        (
            &["--set", "treshold=-20"] as &[&str],
            &["treshold", "did you mean \"threshold\"", "tenon params"] as &[&str],
        ),
        (&["--set", "threshold"], &["id=value"]),
        (&["--set", "threshold=3"], &["threshold takes -60.00 dB to 0.00 dB", "\"3\""]),
        (&["--set", "threshold=loud"], &["threshold takes", "\"loud\""]),
        (&["--set", "bypass=maybe"], &["bypass takes off or on"]),
        (
            &["--preset", "master buss"],
            &["master buss", "did you mean \"Master bus, barely touching\"", "tenon presets"],
        ),
        (&["--format", "12"], &["12", "16, 24, 32f"]),
        (&["--set", "key_source=external"], &["no key", "--key"]),
        (
            &["--key", "in.wav", "--set", "key_source=own_signal"],
            &["key_source is set to own signal", "leave one of the two out"],
        ),
        (&["--tempo", "19"], &["--tempo", "20 bpm to 400 bpm, quarter notes a minute"]),
        (&["--tempo", "fast"], &["--tempo", "type 120 or 120 bpm"]),
        (&["--tempo", "2 dB"], &["--tempo", "type 120 or 120 bpm"]),
        (&["--target-gr", "99"], &["--target-gr", "0.5 dB to 12 dB", "type 2 or 2 dB"]),
        (&["--preset", "m"], &["\"Master bus, barely touching\" or \"Mid only\"", "write more"]),
        (&["--set", "release_note=1/7"], &["release_note takes ms, or 1/64T to 1/1D"]),
        (&["--louder"], &["--louder"]),
    ] {
        let message = bench.refuse(&[&["in.wav", "-o", "out.wav"], arguments].concat());
        for part in parts {
            assert!(message.contains(part), "{part} is not in {message}");
        }
    }
    assert!(bench.refuse(&["in.wav"]).contains("--output"));
    assert!(bench.refuse(&["-o", "out.wav"]).contains("<IN>"));
}

#[test]
fn an_input_is_never_overwritten() {
    let bench = Bench::new();
    bench.write("in.wav", &tone(0.1, 0.5));
    bench.write("out-dry-matched.wav", &tone(0.1, 0.5));
    fs::create_dir(bench.path("folder")).unwrap();
    let before = fs::read(bench.path("in.wav")).unwrap();
    for arguments in [
        &["in.wav", "-o", "in.wav"] as &[&str],
        &["in.wav", "-o", "folder/../in.wav"],
        &["in.wav", "-o", "out.wav", "--json", "in.wav"],
        &["out-dry-matched.wav", "-o", "out.wav", "--compare"],
        &["out-dry-matched.wav", "-o", "in.wav", "--key", "in.wav"],
    ] {
        let message = bench.refuse(arguments);
        assert!(message.contains("is an input and would be overwritten"), "{message}");
    }
    let message = bench.refuse(&["in.wav", "-o", "out.wav", "--json", "./out.wav"]);
    assert!(message.contains("would be written twice"), "{message}");
    assert_eq!(fs::read(bench.path("in.wav")).unwrap(), before);
}

#[test]
fn an_output_that_cannot_be_written_is_named_with_its_remedy() {
    let bench = Bench::new();
    bench.write("in.wav", &tone(0.1, 0.5));
    fs::create_dir(bench.path("folder.wav")).unwrap();
    for (output, parts) in [
        ("missing/out.wav", ["missing/out.wav: ", "its folder does not exist", "make the folder"]),
        ("in.wav/out.wav", ["in.wav/out.wav: ", "cannot be written", "name another one"]),
        ("folder.wav", ["folder.wav: ", "is a folder", "name a file in it"]),
        ("out.flac", ["out.flac: ", "is a WAV file", "ends in .wav"]),
    ] {
        let message = bench.refuse(&["in.wav", "-o", output]);
        for part in parts {
            assert!(message.contains(part), "{part} is not in {message}");
        }
    }
    let message = bench.refuse(&["in.wav", "-o", "out.wav", "--json", "missing/out.json"]);
    assert!(message.contains("missing/out.json: "), "{message}");
}

#[test]
fn an_older_output_is_replaced_by_success_and_kept_by_failure() {
    let bench = Bench::new();
    bench.write("in.wav", &tone(0.1, 0.5));
    fs::write(bench.path("bad.wav"), "no audio").unwrap();
    fs::write(bench.path("out.wav"), "older").unwrap();
    bench.refuse(&["bad.wav", "-o", "out.wav"]);
    assert_eq!(fs::read(bench.path("out.wav")).unwrap(), b"older");
    bench.render(&["in.wav", "-o", "out.wav"]);
    assert_eq!(bench.read("out.wav").len(), 24_000);
    assert_eq!(bench.names(), ["bad.wav", "in.wav", "out.wav"]);
}

#[cfg(unix)]
#[test]
fn what_is_no_ordinary_file_is_not_replaced() {
    let bench = Bench::new();
    bench.write("in.wav", &tone(0.1, 0.5));
    let made = Command::new("mkfifo").arg(bench.path("pipe.wav")).status().unwrap();
    assert!(made.success());
    let message = bench.refuse(&["in.wav", "-o", "pipe.wav"]);
    assert!(message.contains("pipe.wav: is no ordinary file"), "{message}");
    let message = bench.refuse(&["in.wav", "-o", "out.wav", "--json", "pipe.wav"]);
    assert!(message.contains("name another file"), "{message}");
}

/// A limit on file size stands in for a disk that fills up on the way.
#[cfg(unix)]
#[test]
fn a_write_that_fails_on_the_way_leaves_nothing() {
    let bench = Bench::new();
    bench.write("in.wav", &tone(0.1, 1.0));
    let output = Command::new("sh")
        .current_dir(bench.path(""))
        // The limit is in blocks of 512 bytes or 1 KiB, and without the trap exceeding it kills.
        .args(["-c", "trap '' XFSZ; ulimit -f 64; exec \"$0\" render in.wav -o out.wav --compare"])
        .arg(env!("CARGO_BIN_EXE_tenon"))
        .output()
        .unwrap();
    let message = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{message}");
    assert!(message.contains("out.wav: cannot be written"), "{message}");
    assert_eq!(bench.names(), ["in.wav"]);
}

/// Ctrl-C, what ends a program, and a terminal that is closed.
#[cfg(unix)]
#[test]
fn an_interruption_leaves_nothing() {
    use std::time::{Duration, Instant};
    for signal in ["INT", "TERM", "HUP"] {
        let bench = Bench::new();
        bench.write("in.wav", &tone(0.1, 60.0));
        let mut child = bench.command(&["render", "in.wav", "-o", "out.wav"]).spawn().unwrap();
        let begun = Instant::now();
        while bench.names().len() < 2 {
            assert!(begun.elapsed() < Duration::from_secs(30), "no file was begun");
            std::thread::sleep(Duration::from_millis(5));
        }
        // The shell's own: a program of that name is not everywhere.
        let kill = format!("kill -{signal} {}", child.id());
        assert!(Command::new("sh").args(["-c", &kill]).status().unwrap().success());
        assert_eq!(child.wait().unwrap().code(), Some(130), "{signal}");
        assert_eq!(bench.names(), ["in.wav"], "{signal}");
    }
}

#[test]
fn presets_are_listed_with_what_they_set() {
    let output = Bench::new().tenon(&["presets"]);
    assert!(output.status.success());
    let list = text(&output.stdout);
    for part in [
        "Drum subgroup, about 2 dB\n",
        "Warm drums, about 2 dB\n",
        "Master bus, barely touching\n",
        "Percussion bus\n",
        "Parallel drums\n",
        "Mid only\n",
        "side_share 0.0 %",
        "ratio 1.50:1",
    ] {
        assert!(list.contains(part), "{part} is not in\n{list}");
    }
}

#[test]
fn controls_are_listed_with_what_they_take() {
    let output = Bench::new().tenon(&["params"]);
    assert!(output.status.success());
    let list = text(&output.stdout);
    let row = |id: &str| {
        let row = list.lines().find(|line| line.starts_with(id));
        row.unwrap_or_else(|| panic!("{id} is not in\n{list}")).to_owned()
    };
    for id in [
        "input_trim",
        "key_source",
        "key_highpass",
        "detector_window",
        "stereo_link",
        "side_share",
        "threshold",
        "ratio",
        "knee",
        "range",
        "lookahead",
        "attack",
        "attack_note",
        "release",
        "release_note",
        "adaptive",
        "drive",
        "symmetry",
        "focus",
        "saturation_mix",
        "quality",
        "makeup",
        "mix",
        "output_trim",
        "loudness_match",
        "match_hold",
        "compare",
        "listen",
        "bypass",
    ] {
        row(id);
    }
    let words = |id| row(id).split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(words("threshold"), "threshold -60.00 dB to 0.00 dB -18.00 dB");
    assert_eq!(words("key_highpass"), "key_highpass off, or 20.0 Hz to 500.0 Hz 80.0 Hz");
    assert_eq!(words("quality"), "quality 1x, 2x, 4x or 8x 4x");
    assert_eq!(words("attack_note"), "attack_note ms, or 1/64T to 1/1D ms");
    assert_eq!(words("listen"), "listen output, delta or key output");
}

/// A render's own figures of what changed, found again in its files.
#[test]
fn compare_measures_two_files_as_a_render_does_its_own() {
    let bench = Bench::new();
    bench.write("in.wav", &drums(6.0));
    bench.render(&["in.wav", "-o", "out.wav", "--format", "32f", "--json", "render.json"]);
    let output = bench.tenon(&["compare", "in.wav", "out.wav", "--json", "compare.json"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let table = text(&output.stdout);
    assert!(table.contains("Togetherness") && table.contains("Wrote compare.json"), "{table}");
    let (rendered, compared) = (bench.json("render.json"), bench.json("compare.json"));
    for group in ["loudness", "true_peak", "peak_to_loudness", "side_mid", "correlation"] {
        assert_eq!(compared[group], rendered[group], "{group}");
    }
    // The files hold the match gain too, which stays the same and does not count.
    let percent = |json: &Value| json["togetherness"]["percent"].as_f64().unwrap();
    assert!((percent(&compared) - percent(&rendered)).abs() < 0.1);

    let before = std::fs::read(bench.path("out.wav")).unwrap();
    let refused = bench.tenon(&["compare", "in.wav", "out.wav", "--json", "out.wav"]);
    assert_eq!(refused.status.code(), Some(2), "{}", text(&refused.stdout));
    assert_eq!(std::fs::read(bench.path("out.wav")).unwrap(), before, "an input was replaced");

    bench.write("shorter.wav", &drums(5.0));
    let shorter = bench.tenon(&["compare", "in.wav", "shorter.wav"]);
    assert_eq!(shorter.status.code(), Some(0));
    assert!(text(&shorter.stderr).contains("6.000 s and 5.000 s"), "{}", text(&shorter.stderr));

    bench.write_at("other.wav", &drums(1.0), 44_100);
    let refused = bench.tenon(&["compare", "in.wav", "other.wav"]);
    assert_eq!(refused.status.code(), Some(2));
    let message = text(&refused.stderr);
    assert!(message.contains("other.wav") && message.contains("44100"), "{message}");
}

/// Kinds of audio that are not read are named, not taken for something else.
#[test]
fn other_kinds_of_audio_are_named() {
    let bench = Bench::new();
    for (head, kind) in [
        (b"FORM\0\0\x10\0AIFFCOMM".as_slice(), "an AIFF file"),
        (b"\0\0\0\x20ftypM4A \0\0\0\0", "an MP4 file"),
        (b"RF64\xff\xff\xff\xffWAVEds64", "an RF64 file"),
        (b"caff\0\x01\0\0desc", "a CAF file"),
    ] {
        // What follows may look like anything.
        let content = [head, &[0xff; 4_000]].concat();
        fs::write(bench.path("in.wav"), content).unwrap();
        let message = bench.refuse(&["in.wav", "-o", "out.wav"]);
        assert!(message.contains("in.wav") && message.contains(kind), "{message}");
    }
}

#[test]
fn listening_to_something_else_is_said() {
    let bench = Bench::new();
    bench.write("in.wav", &drums(1.0));
    for (setting, said) in [
        ("bypass=on", "bypass is on"),
        ("listen=delta", "listen is delta"),
        ("compare=on", "compare is on"),
    ] {
        let (_, notes) = bench.render(&["in.wav", "-o", "out.wav", "--set", setting]);
        assert!(notes.contains(said), "{notes}");
    }
}
