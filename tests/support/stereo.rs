//! Two channels.

/// A stereo signal; full scale is 1.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Stereo {
    /// Left channel.
    pub left: Vec<f32>,
    /// Right channel, as long as the left one.
    pub right: Vec<f32>,
}

impl Stereo {
    /// The same signal in both channels.
    pub fn both(signal: Vec<f32>) -> Self {
        Stereo { left: signal.clone(), right: signal }
    }
}
