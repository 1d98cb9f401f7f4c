//! SRCP 0.8 over TCP: the first adapter.
