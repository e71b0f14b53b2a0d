//! What the sheet is made of. A value goes in, a response comes out; none knows a parameter.

mod button;
mod choice;
mod reduction;
mod ruler;
mod span;

pub(crate) use button::Button;
pub(crate) use choice::Choice;
pub(crate) use reduction::Reduction;
pub(crate) use ruler::{Ruler, Touch};
pub(crate) use span::Span;
