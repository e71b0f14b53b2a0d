//! Blind trials of files as people make and score them: the real program in a folder of its own. The
//! page is tested in a browser, in `tests/python`.

mod common;

use std::fs;

use common::{Bench, RATE_HZ, Stereo, loudness, mono_loudness, names};
use serde_json::{Value, json};

impl Bench {
    /// Runs `tenon trial`, which must succeed; gives what it prints.
    fn trial(&self, arguments: &[&str]) -> String {
        self.succeed(&[&["trial"], arguments].concat()).0
    }

    /// Runs `tenon trial`, which must fail and leave nothing; gives the message.
    fn refuse(&self, arguments: &[&str]) -> String {
        self.fail(&[&["trial"], arguments].concat())
    }

    /// A programme, and the same bent, softer and 70 samples late.
    fn write_pair(&self) {
        let dry = hits(3.0);
        self.write("before.wav", &dry);
        let bent = dry.iter().map(|frame| frame.map(|s| (3.0 * s).tanh() / 9.0));
        let late: Stereo = std::iter::repeat_n([0.0; 2], 70).chain(bent).collect();
        self.write("after.wav", &late);
    }

    /// Writes answers to a set as the page does.
    fn answer(&self, set: &str, name: &str, answers: &[u8]) {
        let answers = json!({
            "format": "tenon trial answers",
            "version": 1,
            "commitment": self.json(&format!("{set}/key.json"))["commitment"],
            "date": "2026-03-01T13:05:09.123Z",
            "answers": answers,
        });
        fs::write(self.path(name), answers.to_string()).unwrap();
    }

    /// What X was in each trial of a set, and what the first file is, by scoring "X is A" throughout.
    fn opened(&self, set: &str) -> (Vec<String>, String) {
        let trials = self.json(&format!("{set}/key.json"))["trials"].as_u64().unwrap();
        self.answer(set, "opening.json", &vec![1; trials as usize]);
        self.trial(&["score", set, "opening.json"]);
        let record = self.json(&format!("{set}/opening-result.json"));
        let answers = record["answers"].as_array().unwrap();
        let side = |answer: &Value, key: &str| answer[key].as_str().unwrap().to_owned();
        let hidden = answers.iter().map(|answer| side(answer, "hidden")).collect();
        (hidden, side(&answers[0], "chosen"))
    }
}

/// Hits of noise, four a second, softer towards the highs as programme is.
fn hits(seconds: f32) -> Stereo {
    let mut noise = 1u32;
    let mut held = [0.0; 2];
    (0..(seconds * RATE_HZ as f32) as usize)
        .map(|i| {
            let gain = (-((i % 12_000) as f32) / 4_000.0).exp();
            held = held.map(|held: f32| {
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                held + 0.3 * (noise as f32 / u32::MAX as f32 - 0.5 - held)
            });
            held.map(|held| 1.5 * gain * held)
        })
        .collect()
}

fn peak(audio: &Stereo) -> f32 {
    audio.as_flattened().iter().fold(0.0, |peak, sample| peak.max(sample.abs()))
}

/// By how many frames `b` is late, within 200, by plain correlation.
fn late(a: &Stereo, b: &Stereo) -> i64 {
    let fit = |lag: &i64| {
        (200..40_000_i64)
            .map(|n| f64::from(a[n as usize][0]) * f64::from(b[(n + lag) as usize][0]))
            .sum::<f64>()
    };
    (-200..=200).max_by(|a, b| fit(a).total_cmp(&fit(b))).unwrap()
}

#[test]
fn a_set_is_in_time_equally_loud_and_alike_outside() {
    let bench = Bench::new();
    bench.write_pair();
    let said = bench.trial(&["before.wav", "after.wav", "-o", "set"]);
    assert!(said.contains("after.wav was 70 samples (1.458 ms) late"), "{said}");
    assert_eq!(names(&bench.path("set")), ["1.wav", "2.wav", "key.json", "trial.html"]);
    let [one, two] = ["set/1.wav", "set/2.wav"].map(|name| bench.read(name));
    assert_eq!(one.len(), 3 * RATE_HZ as usize);
    assert_eq!(late(&one, &two), 0);
    let difference_lu = loudness(&one) - loudness(&two);
    assert!(difference_lu.abs() < 0.02, "{difference_lu} LU");
    // One of them is before as it was; nobody needed to turn it down.
    let dry = hits(3.0);
    let same = |audio: &Stereo| {
        audio.as_flattened().iter().zip(dry.as_flattened()).all(|(a, b)| (a - b).abs() < 1e-6)
    };
    assert!(same(&one) != same(&two));
    let [one, two] = ["set/1.wav", "set/2.wav"].map(|name| fs::read(bench.path(name)).unwrap());
    let header = one.windows(4).position(|bytes| bytes == b"data").unwrap() + 8;
    assert_eq!(one.len(), two.len());
    assert_eq!(one[..header], two[..header]);
    let wav = hound::WavReader::open(bench.path("set/1.wav")).unwrap();
    assert_eq!((wav.spec().channels, wav.spec().bits_per_sample), (2, 24));
    // Nothing is fetched from anywhere.
    let page = fs::read_to_string(bench.path("set/trial.html")).unwrap();
    assert!(!page.contains("http://") && !page.contains("https://"));
}

#[test]
fn an_early_file_and_a_passage_are_cut_alike() {
    let bench = Bench::new();
    bench.write_pair();
    let said =
        bench.trial(&["after.wav", "before.wav", "-o", "set", "--from", "0.5", "--length", "1.25"]);
    assert!(said.contains("before.wav was 70 samples (1.458 ms) early"), "{said}");
    let [one, two] = ["set/1.wav", "set/2.wav"].map(|name| bench.read(name));
    assert_eq!((one.len(), two.len()), (60_000, 60_000));
    assert_eq!(late(&one, &two), 0);
    assert!(!said.contains("The passage is"), "{said}");
    // From the beginning the early one has 70 samples too few.
    bench.trial(&["after.wav", "before.wav", "-o", "whole"]);
    assert_eq!(bench.read("whole/1.wav").len(), 3 * RATE_HZ as usize);
}

#[test]
fn a_passage_cut_short_by_the_end_is_said() {
    let bench = Bench::new();
    bench.write_pair();
    let late = ["before.wav", "after.wav", "-o", "set", "--from", "500 ms", "--length", "4,5 s"];
    let said = bench.trial(&late);
    assert!(said.contains("The passage is 2.500 s long and not 4.500 s: one of the two"), "{said}");
    assert_eq!(bench.read("set/1.wav").len(), 120_000);
    // Without a length it is what there is.
    let said = bench.trial(&["before.wav", "after.wav", "-o", "other", "--from", "0.5"]);
    assert!(!said.contains("The passage is"), "{said}");
}

#[test]
fn both_are_turned_down_where_the_match_would_clip() {
    let bench = Bench::new();
    let dry = hits(2.0);
    let scale = 0.9 / peak(&dry);
    bench.write("before.wav", &dry.iter().map(|f| f.map(|s| (9.0 * s).tanh())).collect());
    bench.write("after.wav", &dry.iter().map(|f| f.map(|s| scale * s)).collect());
    let said = bench.trial(&["before.wav", "after.wav", "-o", "set"]);
    assert!(said.contains("Both have been turned down by"), "{said}");
    let [one, two] = ["set/1.wav", "set/2.wav"].map(|name| bench.read(name));
    let top = peak(&one).max(peak(&two));
    assert!((0.98..1.0).contains(&top), "{top}");
    assert!((loudness(&one) - loudness(&two)).abs() < 0.02);
}

#[test]
fn a_set_of_mono_files_is_mono_and_equally_loud() {
    let bench = Bench::new();
    let dry: Vec<f32> = hits(3.0).into_iter().map(|[left, _]| left).collect();
    bench.write_mono("before.wav", &dry);
    let bent: Vec<f32> = dry.iter().map(|s| (3.0 * s).tanh() / 9.0).collect();
    bench.write_mono("after.wav", &[&[0.0; 70], &bent[..]].concat());
    let said = bench.trial(&["before.wav", "after.wav", "-o", "set"]);
    assert!(said.contains("after.wav was 70 samples (1.458 ms) late"), "{said}");
    let [one, two] = ["set/1.wav", "set/2.wav"].map(|name| bench.read_mono(name));
    assert_eq!((one.len(), two.len()), (dry.len(), dry.len()));
    let difference_lu = mono_loudness(&one) - mono_loudness(&two);
    assert!(difference_lu.abs() < 0.02, "{difference_lu} LU");
    bench.write("stereo.wav", &hits(3.0));
    let message = bench.refuse(&["before.wav", "stereo.wav", "-o", "other"]);
    assert!(message.contains("before.wav: is mono where stereo.wav is stereo"), "{message}");
}

#[test]
fn nothing_but_the_seal_depends_on_the_order() {
    const SETS: usize = 24;
    let bench = Bench::new();
    bench.write_pair();
    let mut looks = Vec::new();
    let mut sounds: [Option<[Vec<u8>; 2]>; 2] = [None, None];
    let (mut orders, mut same_as_first) = (Vec::new(), 0);
    for n in 0..SETS {
        let set = format!("set{n}");
        bench.trial(&["before.wav", "after.wav", "-o", &set, "--length", "1"]);
        let file = |name: &str| bench.path(&set).join(name);
        let list = names(&bench.path(&set));
        let sizes: Vec<u64> =
            list.iter().map(|name| fs::metadata(file(name)).unwrap().len()).collect();
        looks.push((list, sizes));
        let [one_at, two_at] =
            ["1.wav", "2.wav"].map(|name| fs::metadata(file(name)).unwrap().modified().unwrap());
        assert!(one_at <= two_at, "the files are written in the order of their names");

        let (order, first) = bench.opened(&set);
        same_as_first += order.iter().filter(|side| **side == first).count();
        // The sounds say which file is which, and nothing else: header, samples, peaks and all.
        let kept = &mut sounds[usize::from(first == "second")];
        let bytes = ["1.wav", "2.wav"].map(|name| fs::read(file(name)).unwrap());
        assert!(kept.get_or_insert(bytes.clone()) == &bytes);
        orders.push(order);
    }
    assert!(looks.iter().all(|look| *look == looks[0]), "{looks:?}");
    // Either file was first at least once: missing one has a chance of 2 in 2²⁴.
    let [Some([b, a]), Some([a2, b2])] = sounds else { panic!("one file always came first") };
    assert!(a == a2 && b == b2);
    // So few kinds of files, so many orders: two equal ones of 24 among 2¹⁶ come once in 240 runs.
    orders.sort();
    orders.dedup();
    assert!(orders.len() >= SETS - 2);
    // X is A in half of the trials: five standard deviations of 384 fair bits are 49.
    assert!((143..=241).contains(&same_as_first), "{same_as_first} of 384");
}

#[test]
fn answers_are_scored_by_the_binomial_and_recorded() {
    let bench = Bench::new();
    bench.write_pair();
    bench.trial(&["before.wav", "after.wav", "-o", "set"]);
    let (order, first) = bench.opened("set");
    // Thirteen right answers of sixteen.
    let right = |side: &String| if *side == first { 1 } else { 2 };
    let answers: Vec<u8> =
        order.iter().map(right).enumerate().map(|(n, x)| if n < 13 { x } else { 3 - x }).collect();
    bench.answer("set", "anna.json", &answers);
    let said = bench.trial(&["score", "set", "anna.json"]);
    let words = "Right: 13 of 16: chance alone does this about once in 94 times.";
    // 697 of 65536.
    assert!(said.starts_with(&format!("{words}\np = 0.010635\n")), "{said}");
    let commitment = bench.json("set/key.json")["commitment"].as_str().unwrap().to_owned();
    assert!(said.contains(&commitment));
    let record = bench.json("set/anna-result.json");
    assert_eq!(record["words"], words);
    assert_eq!(record["p"].as_f64().unwrap(), 697.0 / 65_536.0);
    assert_eq!((&record["planned"], &record["answered"]), (&json!(16), &json!(16)));
    assert_eq!(record["first"]["name"], "before.wav");
    assert!(record["loudness_difference_lu"].as_f64().unwrap().abs() < 0.02);
    let date: jiff::Timestamp = record["date"].as_str().unwrap().parse().unwrap();
    assert_eq!(date, "2026-03-01T13:05:09Z".parse().unwrap());
    let csv = fs::read_to_string(bench.path("set/anna-result.csv")).unwrap();
    assert_eq!(csv.lines().count(), 17);

    // The same once more gives the same files.
    let kept = fs::read(bench.path("set/anna-result.json")).unwrap();
    bench.trial(&["score", "set", "anna.json"]);
    assert_eq!(fs::read(bench.path("set/anna-result.json")).unwrap(), kept);

    bench.answer("set", "early.json", &answers[..5]);
    assert!(bench.trial(&["score", "set", "early.json"]).contains("Stopped after 5 of 16"));
    assert_eq!(bench.json("set/early-result.json")["stopped_early"], true);
}

#[test]
fn answers_that_do_not_belong_are_refused() {
    let bench = Bench::new();
    bench.write_pair();
    for set in ["set", "other"] {
        bench.trial(&["before.wav", "after.wav", "-o", set, "--trials", "8"]);
    }
    let score = |answers: &str| bench.refuse(&["score", "set", answers]);
    bench.answer("other", "foreign.json", &[1; 8]);
    assert!(score("foreign.json").contains("belong to another set"));
    bench.answer("set", "many.json", &[1; 9]);
    assert!(score("many.json").contains("9 answers for 8 trials"));
    bench.answer("set", "odd.json", &[3; 8]);
    assert!(score("odd.json").contains("an answer is 1 or 2, not 3"));
    assert!(score("missing.json").contains("there is no such file"));
    fs::write(bench.path("cut.json"), "{").unwrap();
    assert!(score("cut.json").contains("cut.json: cannot be counted"));
    assert!(bench.refuse(&["score", "nowhere", "odd.json"]).contains("there is no such file"));

    // A key of another order in its place.
    bench.answer("set", "good.json", &[1; 8]);
    let key = bench.path("set/key.json");
    let mut altered = bench.json("set/key.json");
    altered["sealed"] = bench.json("other/key.json")["sealed"].clone();
    fs::write(&key, altered.to_string()).unwrap();
    assert!(score("good.json").contains("does not fit its own commitment"));
    fs::copy(bench.path("other/key.json"), &key).unwrap();
    assert!(score("good.json").contains("belong to another set"));
    fs::write(&key, [0xFF, 0x00]).unwrap();
    let said = score("good.json");
    assert!(said.contains("key.json") && !said.contains("the answers"), "{said}");
}

#[test]
fn what_makes_no_trial_is_refused_with_its_remedy() {
    let bench = Bench::new();
    bench.write_pair();
    let make = |arguments: &[&str]| bench.refuse(&[arguments, &["-o", "set"]].concat());
    let slow: Stereo = hits(2.0);
    bench.write_at("slow.wav", &slow, 44_100);
    assert!(make(&["before.wav", "slow.wav"]).contains("44100 Hz where before.wav has 48000 Hz"));
    let backwards: Stereo = hits(3.0).into_iter().rev().collect();
    bench.write("backwards.wav", &backwards);
    let message = make(&["before.wav", "backwards.wav"]);
    assert!(message.contains("backwards.wav: does not line up with the other within 200 ms"));
    let mut faded = hits(3.0);
    faded[RATE_HZ as usize..].fill([0.0; 2]);
    bench.write("faded.wav", &faded);
    let message = make(&["before.wav", "faded.wav", "--from", "1.5"]);
    assert!(message.contains("faded.wav: the passage has no loudness"), "{message}");
    assert!(make(&["before.wav", "after.wav", "--from", "2.5"]).contains("have 0.500 s together"));
    assert!(make(&["before.wav", "after.wav", "--from", "99"]).contains("have 0.000 s together"));
    assert!(make(&["before.wav", "after.wav", "--length", "999"]).contains("can carry 174 s"));
    assert!(make(&["before.wav", "after.wav", "--length", "0.5"]).contains("seconds, 1 s or more"));
    assert!(
        make(&["before.wav", "after.wav", "--trials", "7"]).contains("a whole number from 8 to 25")
    );
    assert!(make(&["before.wav", "missing.wav"]).contains("there is no such file"));
    fs::create_dir(bench.path("set")).unwrap();
    fs::write(bench.path("set/mine.txt"), "mine").unwrap();
    assert!(make(&["before.wav", "after.wav"]).contains("set: is not an empty folder"));
    assert_eq!(names(&bench.path("set")), ["mine.txt"]);
}
