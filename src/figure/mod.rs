//! Pictures for report and page, as SVG text: curves with their doubt, control charts, time lines. Pure.
//!
//! Nothing is told by colour alone: each series has its own dash and mark, and every figure carries its words for screen readers.
//! Colours are variables of the page's style sheet, which knows light, dark and print; contrasts are held by a test
//! (WCAG 2.1, 1.4.3 and 1.4.11). Texts that are figures alone have the class `figures`, so that a page can write them as its reader does.
mod axis;
mod chart;
mod ring;
mod style;
mod text;
mod time_line;

pub use axis::Axis;
pub use chart::{Chart, Layer, Series};
pub use ring::Ring;
pub use style::style_sheet;
pub use text::escaped;
pub use time_line::{Mark, Span, TimeLine};

#[cfg(test)]
mod tests;
