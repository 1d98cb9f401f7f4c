//! Cautions at the place of use: the first lines of a run.

/// What a person must know before an engine moves with nobody watching.
pub(crate) const BEFORE_A_RUN: &str = "\
Before you leave the room:
  - House, club and local rules come first. This program is never the only
    safeguard.
  - Mains supplies run for hours: use one that is whole, fused and meant for
    it; keep the cut-off in reach and test it.
  - A motor that runs long gets hot: nothing flammable on or near the bench,
    and air around the engine.
  - Charge no battery packs while a run goes on.
  - Sensor magnets are small and strong: keep them from children; two of them
    swallowed are an emergency.
  - Keep fingers, hair and sleeves off wheels, rods and gears: the engine
    starts by itself.";

/// The same before a demo, where nothing real moves.
pub(crate) const BEFORE_A_DEMO: &str = "\
This is a simulated bench: nothing real moves. On a real one, before you leave
the room: house, club and local rules first; sound, fused mains supplies with
a tested cut-off in reach; nothing flammable near a motor that runs long; no
packs on charge meanwhile; small strong magnets away from children; fingers
off wheels and gears. The program is never the only safeguard.";
