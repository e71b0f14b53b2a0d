//! The sound of Tenon: a feed-forward stereo bus compressor with sidechain high-pass and stereo
//! link, lookahead, bus saturation, a loudness match, an honest comparison and meters.
//!
//! The crate knows nothing of plug-in formats, files, threads or screens. [`Processor`] is the whole
//! engine; the modules below are its stages, in the order the signal meets them. Each stage keeps
//! its own state and offers `prepare`, `reset`, `set` and `process`. After [`Processor::prepare`]
//! nothing allocates, locks or panics, and the output does not depend on how the stream is cut into
//! blocks.
#![forbid(unsafe_code)]

mod settings;
mod units;
mod registers;
mod frame;
mod ramp;
mod delay;
mod mid_side;
mod filter;
mod input;
mod key;
mod detector;
mod link;
mod curve;
mod lookahead;
mod ballistics;
mod reduction;
mod gain;
mod compressor;
mod saturation;
mod output;
mod loudness;
mod monitor;
mod recovery;
mod meter;
mod processor;
mod sides;
mod threshold;
mod togetherness;

pub use loudness::{Channels, MATCH_LIMIT_DB, MatchMemory, MatchState, ProgrammeLoudness};
pub use meter::Readings;
pub use processor::{Processor, RateError, SAMPLE_RATES_HZ, Tapped};
pub use recovery::{Beat, Recovery};
pub use settings::{
    Control, KEY_HIGHPASS_MIN_HZ, KEY_SOURCES, LISTENS, Listen, NOTES, OFF_ON, QUALITIES, Settings,
    SettingsError, Spec, TEMPOS_BPM, Unit,
};
pub use sides::Sides;
pub use threshold::{
    FindError, Found, LEVEL_CONTROLS, Levels, REDUCTION_CONTROLS, TARGETS_DB, TypicalReduction,
};
pub use togetherness::{BandFollow, NoReading, TOGETHERNESS_BANDS, TogetherReading, Togetherness};
pub use units::SILENCE_DB;
