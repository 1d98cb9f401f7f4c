//! The shell around the core: sockets, clocks, tasks. This module alone touches tokio.
