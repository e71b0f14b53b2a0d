//! Audio files in and out.
//!
//! Reads stereo and mono WAV, FLAC, MP3 and Ogg Vorbis whole into memory and writes WAV of as many
//! channels. What cannot be trusted is refused with its remedy, and a file appears under its name only
//! when complete. Of the engine it knows only how channels carry programme.

use std::fmt;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use symphonia::core::audio::GenericAudioBufferRef;
use symphonia::core::codecs::audio::well_known::CODEC_ID_MP3;
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as DecoderError;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::well_known::FORMAT_ID_WAVE;
use symphonia::core::formats::{FormatReader, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use tenon_dsp::Channels;

/// Sample rates that files may have, in Hz.
pub const RATES_HZ: std::ops::RangeInclusive<u32> = 8_000..=768_000;

/// Audio in memory. Full scale is ±1.
#[derive(Debug, Clone, PartialEq)]
pub struct Audio {
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// Whether it is stereo, or mono, of which right is a copy of left.
    pub channels: Channels,
    /// Left samples.
    pub left: Vec<f32>,
    /// Right samples, as many as left ones.
    pub right: Vec<f32>,
}

impl Audio {
    /// Length in frames; a frame is one left and one right sample.
    pub fn frames(&self) -> usize {
        self.left.len()
    }

    /// Makes the audio `frames` long: pads with silence or cuts the end off.
    pub fn fit(&mut self, frames: usize) {
        self.left.resize(frames, 0.0);
        self.right.resize(frames, 0.0);
    }

    /// Adds other audio from the start on, as a bus sums its tracks. The result is as long as the
    /// longer one, and mono when both are. A mono track sounds at its level on both sides of a stereo bus.
    pub fn mix(&mut self, other: &Audio) {
        if other.channels == Channels::Stereo {
            self.channels = Channels::Stereo;
        }
        self.fit(self.frames().max(other.frames()));
        for (sum, sample) in self.left.iter_mut().zip(&other.left) {
            *sum += sample;
        }
        for (sum, sample) in self.right.iter_mut().zip(&other.right) {
            *sum += sample;
        }
    }
}

/// What is wrong with a file.
#[derive(Debug)]
pub struct FileError {
    /// The file.
    pub path: PathBuf,
    /// What is wrong with it.
    pub problem: Problem,
}

/// What can be wrong with a file.
#[derive(Debug)]
pub enum Problem {
    /// It cannot be read.
    Read(io::Error),
    /// It is a folder.
    Folder,
    /// It is no audio file of a kind that is read; what the reader made of it.
    NotAudio(String),
    /// It ends before it should, and does not tell how much is missing.
    EndsEarly,
    /// It has less than it says.
    Truncated {
        /// Frames it says it has.
        told: u64,
        /// Frames it has.
        held: u64,
    },
    /// A part of it cannot be decoded.
    Damaged {
        /// Frames before the damage, where the place is known.
        frame: Option<u64>,
        /// What the decoder says.
        reason: String,
    },
    /// It has several recordings one after the other.
    Chained,
    /// It has no frames.
    Empty,
    /// It has more than two channels.
    Surround {
        /// How many.
        channels: usize,
    },
    /// Its sample rate lies outside [`RATES_HZ`].
    Rate {
        /// The rate it gives, in Hz.
        rate_hz: u32,
    },
    /// Samples are infinite or not numbers.
    NotNumbers {
        /// How many.
        count: usize,
        /// Frame of the first, counted from 0.
        frame: usize,
        /// Sample rate, to tell the time.
        rate_hz: u32,
    },
    /// It cannot be written.
    Write(io::Error),
    /// It is to be written and exists, but as a device or the like.
    Device,
    /// The folder it is to go to does not exist.
    NoFolder,
    /// More audio than a WAV file holds.
    TooLong,
}

impl fmt::Display for FileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: ", self.path.display())?;
        match &self.problem {
            Problem::Read(error) if error.kind() == io::ErrorKind::NotFound => {
                write!(f, "there is no such file; check name and folder")
            }
            Problem::Read(error) => {
                write!(f, "cannot be read ({error}); check its permissions and its disk")
            }
            Problem::Folder => write!(f, "is a folder; name a file in it"),
            Problem::NotAudio(reason) => write!(
                f,
                "is no audio that can be read ({reason}); export it as WAV (PCM or float), FLAC, MP3 or Ogg Vorbis"
            ),
            Problem::EndsEarly => {
                write!(f, "is truncated: it ends early; copy or export it again")
            }
            Problem::Truncated { told, held } => write!(
                f,
                "is truncated: it says {told} frames and has {held}; copy or export it again"
            ),
            Problem::Damaged { frame, reason } => {
                write!(f, "is damaged")?;
                if let Some(frame) = frame {
                    write!(f, " after frame {frame}")?;
                }
                write!(f, " ({reason}); copy or export it again")
            }
            Problem::Chained => write!(
                f,
                "has several recordings one after the other; split it and name one of them"
            ),
            Problem::Empty => write!(f, "is empty: it has no audio frames; export it again"),
            Problem::Surround { channels } => {
                write!(f, "has {channels} channels; fold it down to stereo or mono first")
            }
            Problem::Rate { rate_hz } => write!(
                f,
                "has a sample rate of {rate_hz} Hz; convert it to one from {} Hz to {} Hz",
                RATES_HZ.start(),
                RATES_HZ.end()
            ),
            Problem::NotNumbers { count, frame, rate_hz } => write!(
                f,
                "has {count} {} infinite or not a number, the first at frame {frame} ({:.3} s); repair that spot or export it again",
                if *count == 1 { "sample that is" } else { "samples that are" },
                *frame as f64 / f64::from(*rate_hz)
            ),
            Problem::Write(error) if error.kind() == io::ErrorKind::StorageFull => write!(
                f,
                "cannot be written: the disk is full; free some space or name another disk"
            ),
            Problem::Write(error) => write!(
                f,
                "cannot be written ({error}); check the permissions of its folder or name another one"
            ),
            Problem::Device => {
                write!(f, "is no ordinary file and would be replaced by one; name another file")
            }
            Problem::NoFolder => write!(
                f,
                "cannot be written: its folder does not exist; make the folder or name another one"
            ),
            Problem::TooLong => write!(
                f,
                "would be larger than a WAV file can be (4 GiB); choose fewer bits or render it in parts"
            ),
        }
    }
}

impl std::error::Error for FileError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match &self.problem {
            Problem::Read(error) | Problem::Write(error) => Some(error),
            _ => None,
        }
    }
}

/// One file is mono where another is stereo, and both have to be alike.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unlike {
    /// The one that is mono.
    pub mono: PathBuf,
    /// The one that is stereo.
    pub stereo: PathBuf,
}

impl fmt::Display for Unlike {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{}: is mono where {} is stereo; export both as stereo, or both as mono",
            self.mono.display(),
            self.stereo.display()
        )
    }
}

/// Makes sure that two files have as many channels.
///
/// # Errors
/// When they have not.
pub(crate) fn same_channels(one: (&Path, &Audio), other: (&Path, &Audio)) -> Result<(), Unlike> {
    let (mono, stereo) = match (one.1.channels, other.1.channels) {
        (Channels::Mono, Channels::Stereo) => (one.0, other.0),
        (Channels::Stereo, Channels::Mono) => (other.0, one.0),
        _ => return Ok(()),
    };
    Err(Unlike { mono: mono.to_owned(), stereo: stereo.to_owned() })
}

/// Reads a file whole. Silence that an encoder added is left out where the file tells how
/// much it is.
///
/// # Errors
/// [`FileError`] when the file cannot be read, is not what [`Audio`] holds, or holds less than it
/// says.
pub fn read(path: &Path) -> Result<Audio, FileError> {
    // The decoders are not ours. What makes one of them panic is a file that cannot be read.
    let decoded = std::panic::catch_unwind(|| decode(path)).unwrap_or_else(|_| {
        let reason = "its reader gave up".to_owned();
        Err(Problem::Damaged { frame: None, reason })
    });
    decoded.map_err(|problem| FileError { path: path.to_owned(), problem })
}

fn decode(path: &Path) -> Result<Audio, Problem> {
    let mut file = File::open(path).map_err(Problem::Read)?;
    let metadata = file.metadata().map_err(Problem::Read)?;
    if metadata.is_dir() {
        return Err(Problem::Folder);
    }
    // A pipe has no length either, and may well have audio.
    if metadata.is_file() && metadata.len() == 0 {
        return Err(Problem::Empty);
    }
    if metadata.is_file()
        && let Some(kind) = other_kind(&mut file).map_err(Problem::Read)?
    {
        return Err(Problem::NotAudio(format!("it is {kind}")));
    }
    if metadata.is_file()
        && let Some(channels) = wav_channels(&mut file).map_err(Problem::Read)?
    {
        known(channels)?;
    }
    let stream = MediaSourceStream::new(Box::new(file), MediaSourceStreamOptions::default());
    let mut format = symphonia::default::get_probe()
        .probe(&Hint::new(), stream, Default::default(), Default::default())
        .map_err(unreadable)?;
    let is_wav = format.format_info().format == FORMAT_ID_WAVE;
    let (mut decoder, told) = open_track(format.as_ref())?;

    let mut audio =
        Audio { rate_hz: 0, channels: Channels::Stereo, left: Vec::new(), right: Vec::new() };
    // Enough for most files at once; a header that promises the absurd gets no more than this.
    let expected = told.unwrap_or(0).min(metadata.len()) as usize;
    audio.left.reserve(expected);
    audio.right.reserve(expected);
    let held = |audio: &Audio| audio.frames() as u64;
    loop {
        let packet = match format.next_packet() {
            Ok(Some(packet)) => packet,
            Ok(None) => break,
            // Whether this was the end is seen by the length that was told. A WAV file written to a
            // pipe tells none, and just ends.
            Err(error) if ended(&error) && (told.is_some() || is_wav) => break,
            Err(error) => return Err(broken(error, held(&audio))),
        };
        // The packet is in memory, so whatever the decoder meets is not the disk's doing.
        let decoded = decoder.decode(&packet).map_err(|error| Problem::Damaged {
            frame: Some(held(&audio)),
            reason: error.to_string(),
        })?;
        append(&mut audio, decoded)?;
    }
    let held = held(&audio);
    if let Some(told) = told.filter(|&told| held < told) {
        return Err(Problem::Truncated { told, held });
    }
    if audio.frames() == 0 {
        return Err(Problem::Empty);
    }
    if decoder.finalize().verify_ok == Some(false) {
        return Err(Problem::Damaged {
            frame: None,
            reason: "its audio does not fit its checksum".to_owned(),
        });
    }
    check_numbers(&audio)?;
    Ok(audio)
}

/// What a file is that calls itself, by its first bytes, a kind of audio that is not read. The reader
/// would take chance bytes in it for something else.
fn other_kind(file: &mut File) -> io::Result<Option<&'static str>> {
    let mut head = Vec::new();
    file.take(12).read_to_end(&mut head)?;
    file.rewind()?;
    let at = |from: usize, name: &[u8]| head.get(from..from + name.len()) == Some(name);
    Ok(match () {
        () if at(0, b"FORM") && (at(8, b"AIFF") || at(8, b"AIFC")) => Some("an AIFF file"),
        () if at(4, b"ftyp") => Some("an MP4 file"),
        () if at(0, b"RF64") => Some("an RF64 file"),
        () if at(0, b"caff") => Some("a CAF file"),
        () => None,
    })
}

/// The channels that the header of a WAV file tells. The reader counts on there being few.
fn wav_channels(file: &mut File) -> io::Result<Option<usize>> {
    /// Chunks that may stand before the format.
    const CHUNKS: usize = 64;
    fn take(file: &mut File, length: u64) -> io::Result<Vec<u8>> {
        let mut bytes = Vec::new();
        file.take(length).read_to_end(&mut bytes)?;
        Ok(bytes)
    }
    let head = take(file, 12)?;
    let mut channels = None;
    if head.starts_with(b"RIFF") && head.ends_with(b"WAVE") {
        for _ in 0..CHUNKS {
            let chunk = take(file, 8)?;
            if chunk.starts_with(b"fmt ") {
                // The kind of samples comes first.
                let format = take(file, 4)?;
                channels = format.last_chunk().map(|two| usize::from(u16::from_le_bytes(*two)));
                break;
            }
            let Ok([_, _, _, _, length @ ..]) = <[u8; 8]>::try_from(chunk) else { break };
            // Chunks are padded to an even length.
            let length = u64::from(u32::from_le_bytes(length)).next_multiple_of(2);
            file.seek(io::SeekFrom::Current(length as i64))?;
        }
    }
    file.rewind()?;
    Ok(channels.filter(|channels| *channels > 0))
}

/// The decoder of the first audio track, and the frames that the file says it has.
fn open_track(format: &dyn FormatReader) -> Result<(Box<dyn AudioDecoder>, Option<u64>), Problem> {
    let none = || Problem::NotAudio("no audio track".to_owned());
    let track = format.default_track(TrackType::Audio).ok_or_else(none)?;
    let parameters = track.codec_params.as_ref().and_then(|p| p.audio());
    let parameters = parameters.ok_or_else(none)?;
    if let Some(channels) = &parameters.channels {
        known(channels.count())?;
    }
    if let Some(rate_hz) = parameters.sample_rate {
        check_rate(rate_hz)?;
    }
    // Without an encoder's tag the length of an MP3 is an estimate, which must neither cut the end
    // off nor pass for a promise.
    let exact = parameters.codec != CODEC_ID_MP3 || track.delay.is_some();
    let options = AudioDecoderOptions::default().gapless(exact).verify(true);
    let decoder = symphonia::default::get_codecs()
        .make_audio_decoder(parameters, &options)
        .map_err(unreadable)?;
    Ok((decoder, track.num_frames.filter(|_| exact)))
}

fn append(audio: &mut Audio, decoded: GenericAudioBufferRef<'_>) -> Result<(), Problem> {
    // Only here are channels and rate certain.
    let channels = known(decoded.spec().channels().count())?;
    check_rate(decoded.spec().rate())?;
    let changes = |what: &str| {
        let reason = format!("the {what} changes");
        Err(Problem::Damaged { frame: Some(audio.frames() as u64), reason })
    };
    match audio.frames() {
        0 => (audio.rate_hz, audio.channels) = (decoded.spec().rate(), channels),
        _ if audio.rate_hz != decoded.spec().rate() => return changes("sample rate"),
        _ if audio.channels != channels => return changes("number of channels"),
        _ => (),
    }
    let start = audio.frames();
    audio.fit(start + decoded.frames());
    let (left, right) = (&mut audio.left[start..], &mut audio.right[start..]);
    match channels {
        Channels::Stereo => decoded.copy_to_slice_planar::<f32, _>(&mut [left, right]),
        Channels::Mono => {
            decoded.copy_to_slice_planar::<f32, _>(&mut [&mut *left]);
            right.copy_from_slice(left);
        }
    }
    Ok(())
}

/// Channels by their number.
fn known(channels: usize) -> Result<Channels, Problem> {
    match channels {
        1 => Ok(Channels::Mono),
        2 => Ok(Channels::Stereo),
        _ => Err(Problem::Surround { channels }),
    }
}

/// How many channels a file has.
pub(crate) fn channel_count(channels: Channels) -> u16 {
    match channels {
        Channels::Mono => 1,
        Channels::Stereo => 2,
    }
}

fn check_rate(rate_hz: u32) -> Result<(), Problem> {
    if RATES_HZ.contains(&rate_hz) { Ok(()) } else { Err(Problem::Rate { rate_hz }) }
}

fn check_numbers(audio: &Audio) -> Result<(), Problem> {
    let bad = |samples: &[f32]| samples.iter().filter(|s| !s.is_finite()).count();
    let first = |samples: &[f32]| samples.iter().position(|s| !s.is_finite());
    let firsts = [first(&audio.left), first(&audio.right)];
    match firsts.into_iter().flatten().min() {
        None => Ok(()),
        Some(frame) => Err(Problem::NotNumbers {
            count: match audio.channels {
                Channels::Mono => bad(&audio.left),
                Channels::Stereo => bad(&audio.left) + bad(&audio.right),
            },
            frame,
            rate_hz: audio.rate_hz,
        }),
    }
}

/// What keeps a file from being opened.
fn unreadable(error: DecoderError) -> Problem {
    match error {
        DecoderError::Unsupported(_) => Problem::NotAudio("its format is unknown".to_owned()),
        error => broken(error, None),
    }
}

/// What keeps a file from being read on.
fn broken(error: DecoderError, frame: impl Into<Option<u64>>) -> Problem {
    match error {
        error if ended(&error) => Problem::EndsEarly,
        DecoderError::IoError(error) => Problem::Read(error),
        DecoderError::ResetRequired => Problem::Chained,
        DecoderError::DecodeError(reason) => {
            Problem::Damaged { frame: frame.into(), reason: reason.to_owned() }
        }
        error => Problem::Damaged { frame: frame.into(), reason: error.to_string() },
    }
}

fn ended(error: &DecoderError) -> bool {
    matches!(error, DecoderError::IoError(error) if error.kind() == io::ErrorKind::UnexpectedEof)
}

/// How samples are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Format {
    /// 16-bit integers, with triangular dither of ±1 step.
    Int16,
    /// 24-bit integers.
    #[default]
    Int24,
    /// 32-bit floating point; the only one that holds samples beyond full scale.
    Float32,
}

impl Format {
    /// All formats.
    pub const ALL: [Format; 3] = [Format::Int16, Format::Int24, Format::Float32];

    /// The name on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Format::Int16 => "16",
            Format::Int24 => "24",
            Format::Float32 => "32f",
        }
    }

    fn bits(self) -> u16 {
        match self {
            Format::Int16 => 16,
            Format::Int24 => 24,
            Format::Float32 => 32,
        }
    }
}

/// Samples that lay beyond full scale and were brought back to it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Clipped {
    /// How many.
    pub samples: u64,
    /// The largest magnitude among them; 1 is full scale.
    pub peak: f32,
}

/// A WAV file being written. It appears under its name when [`WavFile::finish`] succeeds.
pub struct WavFile {
    // Closed before the file is removed, as some systems remove no open file.
    writer: Wav<BufWriter<File>>,
    pending: Pending,
}

impl WavFile {
    /// Begins a file of `frames` frames at a sample rate in Hz.
    ///
    /// # Errors
    /// [`FileError`] when that is too long for a WAV file or cannot be written.
    pub fn create(
        pending: Pending,
        (rate_hz, channels): (u32, Channels),
        format: Format,
        frames: usize,
    ) -> Result<Self, FileError> {
        // hound's largest header, and the padding byte of an odd chunk.
        const OVERHEAD: u64 = 128;
        let frame_bytes = u64::from(channel_count(channels) * format.bits() / 8);
        let bytes = frames as u64 * frame_bytes + OVERHEAD;
        if u32::try_from(bytes).is_err() {
            return Err(pending.error(Problem::TooLong));
        }
        let file = pending.open()?;
        let writer = Wav::new(BufWriter::new(file), (rate_hz, channels), format)
            .map_err(|error| pending.error(Problem::Write(error)))?;
        Ok(Self { writer, pending })
    }

    /// Writes frames, of mono the left ones. Integer formats clip, and the slices then hold what was
    /// written, short of rounding and dither.
    ///
    /// # Errors
    /// [`FileError`] when they cannot be written.
    ///
    /// # Panics
    /// When the slices differ in length.
    pub fn write(&mut self, left: &mut [f32], right: &mut [f32]) -> Result<(), FileError> {
        self.writer.write(left, right).map_err(|error| self.pending.error(Problem::Write(error)))
    }

    /// Completes the file; it still waits under its temporary name for [`Pending::commit`].
    ///
    /// # Errors
    /// [`FileError`] when it cannot be written.
    pub fn finish(self) -> Result<(Pending, Clipped), FileError> {
        let finished = self.writer.finish().and_then(|clipped| {
            pad(&mut OpenOptions::new().write(true).open(&self.pending.temporary)?)?;
            Ok(clipped)
        });
        match finished {
            Ok(clipped) => Ok((self.pending, clipped)),
            Err(error) => Err(self.pending.error(Problem::Write(error))),
        }
    }
}

/// A whole WAV file in memory. Integer formats clip.
///
/// # Errors
/// When the audio is longer than a WAV file can be.
pub(crate) fn wav_bytes(audio: &Audio, format: Format) -> io::Result<Vec<u8>> {
    let mut bytes = io::Cursor::new(Vec::new());
    let mut wav = Wav::new(&mut bytes, (audio.rate_hz, audio.channels), format)?;
    wav.write(&mut audio.left.clone(), &mut audio.right.clone())?;
    wav.finish()?;
    pad(&mut bytes)?;
    Ok(bytes.into_inner())
}

/// Adds what hound leaves out of a WAV file that it has finished: the byte behind a chunk of odd length,
/// which is not counted in the chunk but in the whole (Multimedia Programming Interface and Data
/// Specifications 1.0, IBM and Microsoft, 1991).
fn pad(file: &mut (impl Write + Seek)) -> io::Result<()> {
    let length = file.seek(io::SeekFrom::End(0))?;
    if length % 2 == 1 {
        file.write_all(&[0])?;
        file.seek(io::SeekFrom::Start(4))?;
        // All but the first eight bytes; a file that would be too long was refused at first.
        file.write_all(&((length + 1 - 8) as u32).to_le_bytes())?;
    }
    Ok(())
}

/// The samples of a WAV file on their way to any writer.
struct Wav<W: Write + Seek> {
    writer: hound::WavWriter<W>,
    channels: Channels,
    format: Format,
    dither: Dither,
    clipped: Clipped,
}

impl<W: Write + Seek> Wav<W> {
    fn new(writer: W, (rate_hz, channels): (u32, Channels), format: Format) -> io::Result<Self> {
        let spec = hound::WavSpec {
            channels: channel_count(channels),
            sample_rate: rate_hz,
            bits_per_sample: format.bits(),
            sample_format: match format {
                Format::Int16 | Format::Int24 => hound::SampleFormat::Int,
                Format::Float32 => hound::SampleFormat::Float,
            },
        };
        Ok(Self {
            writer: hound::WavWriter::new(writer, spec).map_err(wav_error)?,
            channels,
            format,
            dither: Dither::default(),
            clipped: Clipped::default(),
        })
    }

    fn write(&mut self, left: &mut [f32], right: &mut [f32]) -> io::Result<()> {
        assert_eq!(left.len(), right.len(), "left and right have one length");
        for (left, right) in left.iter_mut().zip(right) {
            self.write_sample(left)?;
            match self.channels {
                Channels::Mono => *right = *left,
                Channels::Stereo => self.write_sample(right)?,
            }
        }
        Ok(())
    }

    fn write_sample(&mut self, sample: &mut f32) -> io::Result<()> {
        if self.format == Format::Float32 {
            return self.writer.write_sample(*sample).map_err(wav_error);
        }
        if sample.abs() > 1.0 {
            self.clipped.samples += 1;
            self.clipped.peak = self.clipped.peak.max(sample.abs());
            *sample = sample.clamp(-1.0, 1.0);
        }
        let steps = f64::from(1u32 << (self.format.bits() - 1));
        let dither = match self.format {
            Format::Int16 => self.dither.next(),
            _ => 0.0,
        };
        // One step of full scale is missing on the positive side of two's complement.
        let scaled = (f64::from(*sample) * steps + dither).round().clamp(-steps, steps - 1.0);
        self.writer.write_sample(scaled as i32).map_err(wav_error)
    }

    fn finish(self) -> io::Result<Clipped> {
        self.writer.finalize().map_err(wav_error)?;
        Ok(self.clipped)
    }
}

fn wav_error(error: hound::Error) -> io::Error {
    match error {
        hound::Error::IoError(error) => error,
        error => io::Error::other(error),
    }
}

/// Triangular dither of ±1 step, the same in every run. It makes the rounding error independent of
/// the signal in mean and variance (Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992).
struct Dither {
    state: u64,
}

impl Default for Dither {
    fn default() -> Self {
        Self { state: 0x9E37_79B9_7F4A_7C15 }
    }
}

impl Dither {
    fn next(&mut self) -> f64 {
        // xorshift64* (Vigna, ACM TOMS 42(4), 2016).
        self.state ^= self.state >> 12;
        self.state ^= self.state << 25;
        self.state ^= self.state >> 27;
        let bits = self.state.wrapping_mul(0x2545_F491_4F6C_DD1D);
        let uniform = |half: u64| half as f64 / f64::from(u32::MAX);
        uniform(bits >> 32) - uniform(bits & 0xFFFF_FFFF)
    }
}

/// A file on its way: written under a temporary name in the folder it is meant for, renamed when
/// complete, removed when dropped before that.
#[derive(Debug)]
pub struct Pending {
    target: PathBuf,
    temporary: PathBuf,
}

/// Temporary files that exist now, for the case of an interruption.
static UNFINISHED: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

fn unfinished() -> MutexGuard<'static, Vec<PathBuf>> {
    UNFINISHED.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Removes all files that are not complete, for a program about to be interrupted. Nothing can be
/// begun or completed afterwards.
pub fn abandon() {
    let unfinished = unfinished();
    for temporary in unfinished.iter() {
        // Whatever is left cannot be helped any more.
        let _ = fs::remove_file(temporary);
    }
    std::mem::forget(unfinished);
}

impl Pending {
    /// Makes the temporary file, so that a folder that cannot be written to is known at once.
    ///
    /// # Errors
    /// [`FileError`] when the target is a folder or a device, or cannot be written.
    pub fn create(target: &Path) -> Result<Self, FileError> {
        let error = |problem| FileError { path: target.to_owned(), problem };
        if target.is_dir() {
            return Err(error(Problem::Folder));
        }
        if target.exists() && !target.is_file() {
            return Err(error(Problem::Device));
        }
        let name = target.file_name().ok_or_else(|| error(Problem::Folder))?;
        let mut hidden = std::ffi::OsString::from(".");
        hidden.push(name);
        hidden.push(format!(".{}.part", std::process::id()));
        let temporary = target.with_file_name(hidden);
        let mut unfinished = unfinished();
        match File::create(&temporary) {
            Ok(_) => {
                unfinished.push(temporary.clone());
                Ok(Self { target: target.to_owned(), temporary })
            }
            Err(cause) if cause.kind() == io::ErrorKind::NotFound => Err(error(Problem::NoFolder)),
            Err(cause) => Err(error(Problem::Write(cause))),
        }
    }

    /// Where the file will be.
    pub fn target(&self) -> &Path {
        &self.target
    }

    /// Writes the whole content at once.
    ///
    /// # Errors
    /// [`FileError`] when it cannot be written.
    pub fn fill(&self, content: &[u8]) -> Result<(), FileError> {
        let written = self.open()?.write_all(content);
        written.map_err(|error| self.error(Problem::Write(error)))
    }

    /// Puts the complete file in its place, over an older one of that name.
    ///
    /// # Errors
    /// [`FileError`] when that fails; an older file is then still there.
    pub fn commit(self) -> Result<(), FileError> {
        let mut unfinished = unfinished();
        // A disk that is full or gone may only say so now.
        OpenOptions::new()
            .write(true)
            .open(&self.temporary)
            .and_then(|file| file.sync_all())
            .and_then(|()| fs::rename(&self.temporary, &self.target))
            .map_err(|error| self.error(Problem::Write(error)))?;
        unfinished.retain(|temporary| *temporary != self.temporary);
        Ok(())
    }

    fn open(&self) -> Result<File, FileError> {
        File::create(&self.temporary).map_err(|error| self.error(Problem::Write(error)))
    }

    fn error(&self, problem: Problem) -> FileError {
        FileError { path: self.target.clone(), problem }
    }
}

impl Drop for Pending {
    fn drop(&mut self) {
        let mut unfinished = unfinished();
        if let Some(at) = unfinished.iter().position(|t| *t == self.temporary) {
            unfinished.swap_remove(at);
            // Fails only where the file is gone already.
            let _ = fs::remove_file(&self.temporary);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;
    use std::io::{Cursor, SeekFrom};

    const DATA: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/");

    /// Power of the recording against that of its difference from what was encoded, in dB; what
    /// that was is written in the README beside the recordings.
    fn fidelity_db(audio: &Audio) -> f64 {
        let (mut signal, mut error) = (0.0, 0.0);
        for (i, (&left, &right)) in audio.left.iter().zip(&audio.right).enumerate() {
            let t = i as f64 / 44_100.0;
            let tone = |gain: f64, hz: f64| gain * (TAU * hz * t).sin() * (-4.0 * t).exp();
            for (is, should) in [(left, tone(0.5, 2_000.0)), (right, tone(0.25, 3_000.0))] {
                signal += should * should;
                error += (f64::from(is) - should).powi(2);
            }
        }
        10.0 * (signal / error).log10()
    }

    #[test]
    fn each_format_is_read_in_full_length_and_in_place() {
        // One sample of shift leaves about 10 dB.
        for (name, at_least_db) in [("tones.flac", 80.0), ("tones.ogg", 25.0), ("tones.mp3", 25.0)]
        {
            let audio = read(&Path::new(DATA).join(name)).unwrap();
            assert_eq!((audio.rate_hz, audio.frames()), (44_100, 22_050), "{name}");
            let fidelity_db = fidelity_db(&audio);
            assert!(fidelity_db > at_least_db, "{name}: {fidelity_db} dB");
        }
    }

    #[test]
    fn an_mp3_without_a_tag_keeps_all_its_frames() {
        let audio = read(&Path::new(DATA).join("tones-untagged.mp3")).unwrap();
        // 21 MPEG frames of 1152 samples, of which the encoder tells no delay.
        assert_eq!(audio.frames(), 21 * 1152);
    }

    #[test]
    fn tracks_sum_from_the_start_and_the_longer_one_decides() {
        let audio = |left: &[f32], right: &[f32]| Audio {
            rate_hz: 48_000,
            channels: Channels::Stereo,
            left: left.to_vec(),
            right: right.to_vec(),
        };
        let long = audio(&[0.5, 0.25, 0.125], &[1.0, 2.0, 3.0]);
        let short = audio(&[0.25], &[-1.0]);
        let sum = audio(&[0.75, 0.25, 0.125], &[0.0, 2.0, 3.0]);
        for (mut first, second) in [(long.clone(), &short), (short.clone(), &long)] {
            first.mix(second);
            assert_eq!(first, sum);
        }
        // A bus of mono tracks is mono; one with a stereo track is not, and mono is on both sides.
        let mono = |samples: &[f32]| Audio { channels: Channels::Mono, ..audio(samples, samples) };
        let mut bus = mono(&[0.5]);
        bus.mix(&mono(&[0.25, 0.5]));
        assert_eq!(bus, mono(&[0.75, 0.5]));
        bus.mix(&audio(&[0.25], &[-0.25]));
        assert_eq!(bus, audio(&[1.0, 0.5], &[0.5, 0.5]));
    }

    fn written(format: Format, samples: &[f32]) -> (Vec<i32>, Clipped) {
        let mut bytes = Cursor::new(Vec::new());
        let mut wav = Wav::new(&mut bytes, (48_000, Channels::Stereo), format).unwrap();
        let (mut left, mut right) = (samples.to_vec(), samples.to_vec());
        wav.write(&mut left, &mut right).unwrap();
        let clipped = wav.finish().unwrap();
        bytes.set_position(0);
        let reader = hound::WavReader::new(bytes).unwrap();
        let left = reader.into_samples().step_by(2);
        (left.map(Result::unwrap).collect(), clipped)
    }

    #[test]
    fn integers_clip_at_full_scale_and_count_what_lay_beyond() {
        const TOP: i32 = (1 << 23) - 1;
        let (samples, clipped) =
            written(Format::Int24, &[0.0, 0.5, -0.5, 1.0, -1.0, 1.5, -2.0, f32::MAX]);
        let half = 1 << 22;
        assert_eq!(samples, [0, half, -half, TOP, -TOP - 1, TOP, -TOP - 1, TOP]);
        // Left and right.
        assert_eq!(clipped.samples, 2 * 3);
        assert_eq!(clipped.peak, f32::MAX);
    }

    #[test]
    fn dither_frees_16_bits_of_rounding_distortion() {
        // Moments of rounding with triangular dither (Lipshitz, Wannamaker, Vanderkooy 1992): the
        // error has mean 0 and variance 1/4 of a squared step wherever the value lies between two
        // steps.
        const COUNT: usize = 100_000;
        for offset in [0.0, 0.25, 0.5] {
            let value = (100.0 + offset) / 32_768.0;
            let (samples, _) = written(Format::Int16, &vec![value; COUNT]);
            let errors = samples.iter().map(|&s| f64::from(s) - 100.0 - f64::from(offset));
            let mean = errors.clone().sum::<f64>() / COUNT as f64;
            let variance = errors.map(|e| e * e).sum::<f64>() / COUNT as f64;
            assert!(mean.abs() < 0.01, "{offset}: mean {mean}");
            assert!((variance - 0.25).abs() < 0.01, "{offset}: {variance}");
        }
    }

    /// The layout of RIFF: chunks begin at even places, and the first length is that of all the rest.
    #[test]
    fn chunks_of_odd_length_are_padded() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("odd.wav");
        for (channels, frames) in [(Channels::Mono, 3), (Channels::Mono, 4), (Channels::Stereo, 3)]
        {
            let (left, right) = (vec![0.25; frames], vec![0.25; frames]);
            let audio = Audio { rate_hz: 48_000, channels, left, right };
            let pending = Pending::create(&path).unwrap();
            let mut file =
                WavFile::create(pending, (48_000, channels), Format::Int24, frames).unwrap();
            file.write(&mut audio.left.clone(), &mut audio.right.clone()).unwrap();
            file.finish().unwrap().0.commit().unwrap();
            let bytes = fs::read(&path).unwrap();
            assert_eq!(bytes, wav_bytes(&audio, Format::Int24).unwrap());
            let number = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap());
            assert_eq!((bytes.len() % 2, number(4) as usize), (0, bytes.len() - 8));
            let data = bytes.windows(4).position(|four| four == b"data").unwrap();
            let samples = frames * usize::from(channel_count(channels));
            assert_eq!(number(data + 4) as usize, 3 * samples);
            assert_eq!(read(&path).unwrap(), audio);
        }
    }

    #[test]
    fn the_same_samples_give_the_same_file() {
        let samples: Vec<f32> = (0..1000).map(|i| (i as f32 * 0.1).sin() * 0.3).collect();
        assert_eq!(written(Format::Int16, &samples), written(Format::Int16, &samples));
    }

    /// A disk with room for so many bytes.
    struct SmallDisk(Cursor<Vec<u8>>, usize);

    impl Write for SmallDisk {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            if self.0.position() as usize + bytes.len() > self.1 {
                return Err(io::ErrorKind::StorageFull.into());
            }
            self.0.write(bytes)
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    impl Seek for SmallDisk {
        fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
            self.0.seek(to)
        }
    }

    #[test]
    fn a_full_disk_is_an_error_that_says_so() {
        let disk = SmallDisk(Cursor::new(Vec::new()), 1000);
        let mut wav = Wav::new(disk, (48_000, Channels::Stereo), Format::Int24).unwrap();
        let error = wav.write(&mut [0.1; 500], &mut [0.1; 500]).unwrap_err();
        let message =
            FileError { path: "out.wav".into(), problem: Problem::Write(error) }.to_string();
        assert_eq!(
            message,
            "out.wav: cannot be written: the disk is full; free some space or name another disk"
        );
    }

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_file_appears_only_when_complete() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("figures.json");
        let pending = Pending::create(&target).unwrap();
        pending.fill(b"half").unwrap();
        assert!(!target.exists());
        drop(pending);
        assert_eq!(names(folder.path()), [""; 0]);

        fs::write(&target, "old").unwrap();
        let pending = Pending::create(&target).unwrap();
        pending.fill(b"new").unwrap();
        assert_eq!(fs::read(&target).unwrap(), b"old");
        pending.commit().unwrap();
        assert_eq!(fs::read(&target).unwrap(), b"new");
        assert_eq!(names(folder.path()), ["figures.json"]);
    }

    #[test]
    fn a_wav_that_cannot_be_is_refused_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let pending = Pending::create(&folder.path().join("long.wav")).unwrap();
        // 4 GiB of float frames of 8 bytes.
        let stereo = (48_000, Channels::Stereo);
        let result = WavFile::create(pending, stereo, Format::Float32, 1 << 29);
        assert!(matches!(result.err().unwrap().problem, Problem::TooLong));
        assert_eq!(names(folder.path()), [""; 0]);
    }

    /// Found by fuzzing: behind bytes that are no audio, a header whose mask of speakers makes the
    /// reader's arithmetic overflow. It panics where that is checked, as here.
    #[test]
    fn a_reader_that_panics_is_a_damaged_file() {
        let mut bytes = vec![0xFF; 26];
        bytes.extend(b"RIFF\xBC\x01\0\0WAVEfmt \x28\0\0\0\xFE\xFF\xFF\xFF\0\x77\x01\0");
        bytes.extend(b"\0\xCA\x08\0\x06\0\x18\0\x16\0\x18\0\x03\0\0\0");
        bytes.extend(b"\x01\0\0\0\0\0\x10\0\x80\0\0\xAA\0\x38\x9B\x71data\x80\x01\0\0");
        bytes.resize(bytes.len() + 384, 0);
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("junk.wav");
        fs::write(&file, bytes).unwrap();
        let message = read(&file).unwrap_err().to_string();
        assert!(message.contains("junk.wav: is damaged"), "{message}");
    }
}
