//! What a fleet is reckoned with: who can be coupled with whom, the best common target, whether an engine stays as it was, what a
//! layout makes of a bench's speeds, and what fits into an evening.
//!
//! Pure: engines and their speeds are handed in, as `store` keeps them. Speeds in mm/s of the model, doubts with k = 1.
pub mod control;
pub mod coupling;
pub mod evening;
pub mod groups;
pub mod layout;
pub mod propose;
pub mod speeds;
pub mod standard;
