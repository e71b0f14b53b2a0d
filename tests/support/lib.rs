//! What the tests and the demo share: our own song, test signals and measurements.
//!
//! Nothing here knows the engine, so that a test measures with rulers the engine did not make.

mod random;
mod stereo;
pub mod measure;
pub mod signals;
pub mod mixes;
pub mod song;
#[cfg(target_os = "linux")]
pub mod screen;
#[cfg(target_os = "linux")]
pub mod window;

pub use stereo::Stereo;
