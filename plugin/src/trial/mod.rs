//! Blind trials: how many answers mean something, in which order the sides come, and what is kept of
//! it. Used by the editor and by the program; knows nothing of sound.

pub mod chance;
pub mod plan;
pub mod record;
