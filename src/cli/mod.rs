//! What the person types and sees.
mod args;
mod caution;
mod exit;
mod out;
mod result;
mod show;
mod table;
mod words;
