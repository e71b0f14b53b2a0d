//! What the sheet shows of what a listener hears.

use tenon_dsp::BandFollow;

use crate::listener::Listener;

/// Readings of a listener.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Listened {
    /// Togetherness, or why there is no reading.
    pub(crate) together: Result<Together, String>,
    /// Typical maximum of the gain reduction, dB; none while there is too little signal.
    pub(crate) typical_db: Option<f32>,
}

/// How strongly the processing moves all parts together, and which of them follow.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Together {
    /// The figure, in per cent.
    pub(crate) percent: f32,
    /// How far the parts get the same movement, 0 to 1.
    pub(crate) shared: f32,
    /// How large the movement is, in dB.
    pub(crate) movement_db: f32,
    /// The same figure of the programme itself, in per cent.
    pub(crate) programme_percent: f32,
    /// The bands, from low to high.
    pub(crate) bands: Vec<Band>,
}

/// How far a band follows the common movement, 0 to 1; none where it says nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Band {
    /// Middle of the band, in Hz.
    pub(crate) centre_hz: f32,
    /// Its middle channel.
    pub(crate) mid: Option<f32>,
    /// Its side channel.
    pub(crate) side: Option<f32>,
}

/// What a listener reads now.
pub(crate) fn listened(listener: &Listener) -> Listened {
    Listened { together: together(listener), typical_db: listener.typical_db() }
}

fn together(listener: &Listener) -> Result<Together, String> {
    let reading = listener.heard().map_err(|reason| reason.to_string())?;
    let band =
        |band: BandFollow| Band { centre_hz: band.centre_hz, mid: band.mid, side: band.side };
    Ok(Together {
        percent: reading.percent,
        shared: reading.shared,
        movement_db: reading.movement_db,
        programme_percent: reading.programme_percent,
        bands: reading.bands.map(band).to_vec(),
    })
}
