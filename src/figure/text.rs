//! Words in a picture: escaped, and measured without knowing the reader's font.
use std::fmt::Write;

/// Size of all text, in units of the picture.
pub(super) const SIZE: f64 = 12.0;
/// A character is taken to be this wide, in parts of the size: wider than the average of any usual font without serifs.
const WIDE: f64 = 0.6;

/// A box that a text takes, for the layout and its test.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct TextBox {
    pub(super) left: f64,
    pub(super) top: f64,
    pub(super) width: f64,
    pub(super) height: f64,
}

impl TextBox {
    #[cfg(test)]
    pub(super) fn overlaps(&self, other: &Self) -> bool {
        self.left < other.left + other.width
            && other.left < self.left + self.width
            && self.top < other.top + other.height
            && other.top < self.top + self.height
    }
}

/// Where a text is held.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// Width of a text.
pub(super) fn width(text: &str) -> f64 {
    WIDE * SIZE * text.chars().count() as f64
}

/// Text for XML: what would be markup is written otherwise, and what XML 1.0 forbids is left out.
#[must_use]
pub fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for sign in text.chars() {
        match sign {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            '\t' | '\n' | '\r' => safe.push(' '),
            sign if sign.is_control() || matches!(sign, '\u{fffe}' | '\u{ffff}') => {}
            sign => safe.push(sign),
        }
    }
    safe
}

/// A drawing under way: SVG elements, and the boxes that its texts take.
#[derive(Debug, Default)]
pub(super) struct Sheet {
    pub(super) svg: String,
    pub(super) boxes: Vec<TextBox>,
}

impl Sheet {
    /// Adds an element.
    pub(super) fn element(&mut self, svg: &std::fmt::Arguments<'_>) {
        // Writing to a text cannot fail.
        let _ = self.svg.write_fmt(*svg);
        self.svg.push('\n');
    }

    /// Writes a line of text whose baseline lies at `y`.
    pub(super) fn text(&mut self, (x, y): (f64, f64), anchor: Anchor, class: &str, words: &str) {
        let wide = width(words);
        let (left, hold) = match anchor {
            Anchor::Start => (x, "start"),
            Anchor::Middle => (x - wide / 2.0, "middle"),
            Anchor::End => (x - wide, "end"),
        };
        self.boxes.push(TextBox { left, top: y - 0.8 * SIZE, width: wide, height: SIZE });
        let words = escaped(words);
        self.element(&format_args!(
            "<text class=\"{class}\" x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{hold}\">{words}</text>"
        ));
    }
}
