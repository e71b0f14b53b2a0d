//! `cargo xtask demo`: our own song through the drum subgroup and the master bus, without a host.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use anyhow::{Context, Result, bail};
use serde_json::Value;
use tenon_tests::Stereo;
use tenon_tests::measure::{from_db, integrated_lufs, peak};
use tenon_tests::song;

use crate::{bundle, workspace};

const RATE: u32 = 48_000;
const DRUMS_PRESET: &str = "Drum subgroup, about 2 dB";
const MASTER_PRESET: &str = "Master bus, barely touching";
/// Saturation to be heard, but not to be noticed for itself.
const SATURATION: [&str; 4] = ["--set", "drive=8", "--set", "symmetry=20"];
/// Largest difference in loudness that is called none, LU.
const EQUAL_LU: f64 = 0.1;

/// Makes the demo in `target/demo`.
pub(crate) fn run() -> Result<()> {
    println!("Building the command-line program.");
    let program = bundle::program()?;
    let folder = workspace::target()?.join("demo");
    let stems_folder = folder.join("stems");
    fs::create_dir_all(&stems_folder)
        .with_context(|| format!("{} cannot be made", stems_folder.display()))?;

    println!("Synthesising the song: {:.0} s, {} beats a minute.", song::LENGTH_S, song::TEMPO_BPM);
    let stems = song::stems(RATE);
    let (mut drum_files, mut other_files) = (Vec::new(), Vec::new());
    for stem in &stems {
        let file = stems_folder.join(format!("{}.wav", stem.name));
        write_wav(&file, &stem.left, &stem.right)?;
        if stem.on_drum_bus { &mut drum_files } else { &mut other_files }.push(file);
    }

    println!("\nDrums and percussion through \"{DRUMS_PRESET}\":\n");
    let drums = folder.join("drums.wav");
    let mut command = render(&program, &drum_files, &drums);
    workspace::run(command.args(["--preset", DRUMS_PRESET, "--compare"]))?;

    let dry = song::sum(stems.iter().filter(|stem| stem.on_drum_bus));
    show_togetherness(&program, &folder, &drum_files, &dry)?;

    println!("\nThat drum bus and the other stems through \"{MASTER_PRESET}\":\n");
    let after = folder.join("after.wav");
    let stem_files = [&drum_files[..], &other_files].concat();
    let mut mix_files = vec![drums];
    mix_files.append(&mut other_files);
    workspace::run(render(&program, &mix_files, &after).args(["--preset", MASTER_PRESET]))?;

    let before = folder.join("before.wav");
    let gain_db = write_as_loud(&before, song::sum(&stems), &read_wav(&after)?)?;
    println!(
        "\nWrote {}\n  the plain sum of the stems, {gain_db:+.2} dB, as loud as after.wav",
        before.display()
    );
    println!("\nAs loud, with saturation on the bus, alone and after that compression:\n");
    let trim = format!("output_trim={gain_db:.2}");
    let saturated = folder.join("saturated.wav");
    let mut alone = render(&program, &stem_files, &saturated);
    alone.args(["--set", "ratio=1", "--set", &trim]);
    let both = folder.join("both.wav");
    let mut with_compression = render(&program, &mix_files, &both);
    with_compression.args(["--preset", MASTER_PRESET]);
    let loudness =
        |file: &Path| figure(&read_json(&file.with_extension("json"))?, "loudness", "after_lufs");
    for (file, mut command) in [(saturated, alone), (both, with_compression)] {
        workspace::run(command.args(SATURATION).stdout(Stdio::null()))?;
        let (lufs, apart) = (loudness(&file)?, loudness(&file)? - loudness(&after)?);
        anyhow::ensure!(apart.abs() < EQUAL_LU, "{} is {apart:.2} LU apart", file.display());
        println!("Wrote {}, {lufs:.2} LUFS", file.display());
    }
    println!(
        "\n{LISTEN}\n\nThe song is synthetic and our own invention. Everything is in\n  {}",
        folder.display()
    );
    Ok(())
}

const LISTEN: &str = "\
What to listen for: play before.wav and after.wav in turn at a moderate monitoring level, the same
for both, and within the rules for sound levels where you are. Over the whole song they are equally
loud, so what is left is what the compression does, and it is meant to be subtle. Begin at 20 s,
where the whole band comes in: with each kick and snare the ride, shaker and congas dip and come
back together, so that the kit breathes as one, and the tails between the hits stand a little
closer; the rest of the band leans on the same movement. The hits should keep their edge, and the
congas at the right and the horns at the far sides should stay where they are. Then play across
20 s: the quiet half has come up a little and the dense one down.
drums.wav against drums-dry-matched.wav lets you hear the drum bus alone, where it is plainer, and
against drums-each-alone.wav what compressing each drum by itself would be; all three are as loud.
saturated.wav moves nothing: bass and kick gain overtones, which a small loudspeaker shows best, and
snare and horns get rounder. both.wav does both: the rounder parts breathe as one.";

/// Prints togetherness of the drums compressed on their bus beside each drum compressed alone, with
/// the same largest gain reduction.
fn show_togetherness(
    program: &Path,
    folder: &Path,
    drum_files: &[PathBuf],
    dry: &Stereo,
) -> Result<()> {
    let bus = read_json(&folder.join("drums.json"))?;
    let most_db = figure(&bus, "gain_reduction", "max_db")?;
    println!(
        "\nThe same drums, each compressed alone by {most_db:.2} dB at most, as the bus was:\n"
    );
    let mut alone = Stereo::default();
    for file in drum_files {
        let name = file.file_name().unwrap_or_default();
        let output = folder.join("alone").join(name);
        let compressed = compress_by(most_db, program, file, &output)?;
        for (sum, part) in
            [(&mut alone.left, &compressed.left), (&mut alone.right, &compressed.right)]
        {
            sum.resize(part.len(), 0.0);
            sum.iter_mut().zip(part).for_each(|(sum, x)| *sum += x);
        }
    }
    let (before, after) =
        (folder.join("drums-dry-matched.wav"), folder.join("drums-each-alone.wav"));
    write_as_loud(&after, alone, dry)?;
    let report = folder.join("drums-each-alone.json");
    let mut compare = Command::new(program);
    compare.arg("compare").args([&before, &after]).arg("--json").arg(&report);
    workspace::run(&mut compare)?;
    println!("\n{:<28}{:>14}{:>10}{:>12}", "", "togetherness", "shared", "movement");
    for (name, json) in
        [("drums compressed on the bus", bus), ("each drum compressed alone", read_json(&report)?)]
    {
        let read = |name| figure(&json, "togetherness", name);
        let (percent, shared, movement_db) =
            (read("percent")?, read("shared")?, read("movement_db")?);
        println!("{name:<28}{percent:>12.1} %{shared:>10.2}{movement_db:>9.2} dB");
    }
    println!(
        "Togetherness shows how far all parts are moved as one, which is what a bus compressor does \
         and\ncompressors on single tracks do not. It is no rating: high is not better."
    );
    Ok(())
}

/// Compresses a file with the settings of the drum bus, at the threshold that gives the gain
/// reduction wanted, within 0.02 dB.
fn compress_by(most_db: f64, program: &Path, input: &Path, output: &Path) -> Result<Stereo> {
    let report = output.with_extension("json");
    fs::create_dir_all(output.parent().unwrap_or(Path::new(".")))
        .with_context(|| format!("{} cannot be made", output.display()))?;
    let (mut deep, mut shallow) = (-60.0, 0.0);
    for _ in 0..12 {
        let threshold = f64::midpoint(deep, shallow);
        let mut command = render(program, &[input.to_owned()], output);
        command.args(["--preset", DRUMS_PRESET, "--set", "loudness_match=off", "--set"]);
        command.arg(format!("threshold={threshold:.2}"));
        // What it says of a threshold on the way is of no use to anybody.
        let said = command.output().context("the program cannot be run")?;
        anyhow::ensure!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
        let reduction_db = figure(&read_json(&report)?, "gain_reduction", "max_db")?;
        if (reduction_db - most_db).abs() < 0.02 {
            return read_wav(output);
        }
        if reduction_db > most_db { deep = threshold } else { shallow = threshold }
    }
    bail!("{} cannot be compressed by {most_db:.2} dB with these settings", input.display())
}

fn read_json(file: &Path) -> Result<Value> {
    let text = fs::read(file).with_context(|| format!("{} cannot be read", file.display()))?;
    serde_json::from_slice(&text).with_context(|| format!("{} is no JSON", file.display()))
}

fn figure(json: &Value, group: &str, name: &str) -> Result<f64> {
    json[group][name].as_f64().with_context(|| format!("the report has no {group}.{name}"))
}

/// The command that renders a bus, with its figures as JSON beside the output.
fn render(program: &Path, inputs: &[PathBuf], output: &Path) -> Command {
    let mut command = Command::new(program);
    command.arg("render").args(inputs).arg("-o").arg(output);
    command.args(["--format", "32f", "--json"]);
    command.arg(output.with_extension("json"));
    command
}

/// Writes a mix at the loudness of another; gives the gain in dB.
fn write_as_loud(file: &Path, mut mix: Stereo, other: &Stereo) -> Result<f64> {
    let loudness = |stereo| integrated_lufs(RATE, stereo).context("the mix is silent");
    let gain_db = loudness(other)? - loudness(&mix)?;
    for sample in mix.left.iter_mut().chain(&mut mix.right) {
        *sample *= from_db(gain_db) as f32;
    }
    anyhow::ensure!(peak(&mix.left).max(peak(&mix.right)) < 1.0, "{} would clip", file.display());
    write_wav(file, &mix.left, &mix.right)?;
    Ok(gain_db)
}

/// Writes a stereo file in 32-bit floating point; an older one stays until the new one is whole.
fn write_wav(file: &Path, left: &[f32], right: &[f32]) -> Result<()> {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let unfinished = file.with_extension("wav.part");
    let write = || -> Result<()> {
        let mut writer = hound::WavWriter::create(&unfinished, spec)?;
        for (left, right) in left.iter().zip(right) {
            writer.write_sample(*left)?;
            writer.write_sample(*right)?;
        }
        writer.finalize()?;
        Ok(fs::rename(&unfinished, file)?)
    };
    write().with_context(|| format!("{} cannot be written", file.display()))
}

/// Reads a stereo file in 32-bit floating point.
fn read_wav(file: &Path) -> Result<Stereo> {
    let read = || -> hound::Result<Stereo> {
        let samples =
            hound::WavReader::open(file)?.into_samples::<f32>().collect::<Result<Vec<_>, _>>()?;
        let channel = |first| samples.iter().copied().skip(first).step_by(2).collect();
        Ok(Stereo { left: channel(0), right: channel(1) })
    };
    read().with_context(|| format!("{} cannot be read", file.display()))
}
