//! What the person types and sees.
