//! A run, or the fleet, as one HTML file that needs nothing else: no network, no script. It prints on A4, goes by light and dark, fits
//! a telephone, and says in words what its pictures show.
mod cautions;
mod fleet;
mod page;
mod pictures;
mod run;

pub use fleet::fleet;
pub use pictures::{Pictures, pictures};
pub use run::run;
