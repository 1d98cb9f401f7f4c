//! A simulated bench: locomotive physics, a decoder that obeys the standards packet by packet, a field sensor,
//! a station server machine. It shares no code with `motion`, `calibrate` or the table interpolation.
