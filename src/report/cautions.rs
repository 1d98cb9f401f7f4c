//! The cautions that a report ends with: whoever reads it stands at a bench.
use maud::{Markup, html};

/// The usual cautions, and whose word counts.
pub(super) fn cautions() -> Markup {
    html! {
        section aria-labelledby="cautions" {
            h2 id="cautions" { "Before an engine runs again" }
            ul {
                li { "House, club and local rules come first; where mains is concerned ask a qualified person." }
                li { "A motor that runs long gets hot: nothing flammable near it, and charge no battery packs meanwhile." }
                li { "Small strong magnets are dangerous when swallowed, two of them above all: count them and keep them from children." }
                li { "Wheels, rollers and gears draw in fingers, hair and threads, and the engine starts by itself." }
                li { "No program is the only safeguard: stay within reach of the main switch, or have a cut-off that works without the computer and was tried on this bench." }
            }
        }
    }
}
