//! Blind trials: how many answers mean something, in which order the sides come, what is kept of it,
//! and sets of files with which they are made without a host.

pub mod chance;
pub mod plan;
pub mod record;

pub(crate) mod align;
mod seal;

pub mod score;
pub mod set;
