//! The real program over files in a folder of its own.
#![allow(dead_code)] // each test file uses its own part

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use ebur128::{EbuR128, Mode};
use serde_json::Value;

pub(crate) const RATE_HZ: u32 = 48_000;

pub(crate) type Stereo = Vec<[f32; 2]>;

/// A folder that goes away with the test.
pub(crate) struct Bench(tempfile::TempDir);

impl Bench {
    pub(crate) fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    pub(crate) fn names(&self) -> Vec<String> {
        names(self.0.path())
    }

    pub(crate) fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tenon"));
        command.current_dir(self.0.path()).args(arguments);
        command
    }

    /// Runs the program in the folder.
    pub(crate) fn tenon(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().unwrap()
    }

    /// Runs the program, which must succeed; gives what was printed to stdout and to stderr.
    pub(crate) fn succeed(&self, arguments: &[&str]) -> (String, String) {
        let output = self.tenon(arguments);
        let (out, err) = (text(&output.stdout), text(&output.stderr));
        assert!(output.status.success(), "{arguments:?}: {err}");
        (out, err)
    }

    /// Runs the program, which must fail as every failure should; gives the message.
    pub(crate) fn fail(&self, arguments: &[&str]) -> String {
        let before = self.names();
        let output = self.tenon(arguments);
        let message = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {message}");
        assert_eq!(text(&output.stdout), "", "{arguments:?}");
        assert!(message.starts_with("error: "), "{message}");
        assert_eq!(self.names(), before, "{arguments:?} left a file");
        message
    }

    pub(crate) fn write(&self, name: &str, audio: &Stereo) {
        self.write_at(name, audio, RATE_HZ);
    }

    pub(crate) fn write_at(&self, name: &str, audio: &Stereo, rate_hz: u32) {
        self.write_channels(name, 2, audio.as_flattened(), rate_hz);
    }

    pub(crate) fn write_mono(&self, name: &str, samples: &[f32]) {
        self.write_channels(name, 1, samples, RATE_HZ);
    }

    fn write_channels(&self, name: &str, channels: u16, samples: &[f32], rate_hz: u32) {
        let spec = hound::WavSpec {
            channels,
            sample_rate: rate_hz,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let mut wav = hound::WavWriter::create(self.path(name), spec).unwrap();
        for sample in samples {
            wav.write_sample(*sample).unwrap();
        }
        wav.finalize().unwrap();
    }

    pub(crate) fn read(&self, name: &str) -> Stereo {
        let (channels, samples) = self.read_channels(name);
        assert_eq!(channels, 2);
        samples.as_chunks().0.to_vec()
    }

    pub(crate) fn read_mono(&self, name: &str) -> Vec<f32> {
        let (channels, samples) = self.read_channels(name);
        assert_eq!(channels, 1);
        samples
    }

    fn read_channels(&self, name: &str) -> (u16, Vec<f32>) {
        let mut wav = hound::WavReader::open(self.path(name)).unwrap();
        let spec = wav.spec();
        let samples = match spec.sample_format {
            hound::SampleFormat::Float => wav.samples::<f32>().map(Result::unwrap).collect(),
            hound::SampleFormat::Int => {
                let full_scale = (1u32 << (spec.bits_per_sample - 1)) as f32;
                let samples = wav.samples::<i32>();
                samples.map(|s| s.unwrap() as f32 / full_scale).collect()
            }
        };
        (spec.channels, samples)
    }

    pub(crate) fn json(&self, name: &str) -> Value {
        serde_json::from_slice(&fs::read(self.path(name)).unwrap()).unwrap()
    }
}

pub(crate) fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

pub(crate) fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    let mut names: Vec<String> =
        entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

/// Integrated loudness by another meter than ours, in LUFS.
pub(crate) fn loudness(audio: &Stereo) -> f64 {
    integrated_lufs(2, audio.as_flattened())
}

pub(crate) fn mono_loudness(samples: &[f32]) -> f64 {
    integrated_lufs(1, samples)
}

fn integrated_lufs(channels: u32, samples: &[f32]) -> f64 {
    let mut meter = EbuR128::new(channels, RATE_HZ, Mode::I).unwrap();
    meter.add_frames_f32(samples).unwrap();
    meter.loudness_global().unwrap()
}
