//! What the person types and sees.
mod args;
mod caution;
pub mod exit;
mod out;
pub mod result;
mod show;
mod table;
mod words;
