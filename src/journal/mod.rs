//! What is written down, how durably, and how it is read again.
