//! What the sheet is made of. A value goes in, a response comes out; none knows a parameter.

mod bands;
mod button;
mod choice;
mod corner;
mod focus;
mod menu;
mod ruler;
mod share;
mod span;
mod strip;

pub(crate) use bands::Bands;
pub(crate) use button::Button;
pub(crate) use choice::Choice;
pub(crate) use corner::Corner;
pub(crate) use focus::keep_arrows;
pub(crate) use menu::Menu;
pub(crate) use ruler::{Ruler, Touch};
pub(crate) use share::Share;
pub(crate) use span::Span;
pub(crate) use strip::{Curve, Strip};
