//! What happened when: phases one behind the other, events as numbers that a list beside the picture explains.
use super::axis::{Axis, Scale};
use super::chart::{WIDTH, wrapped};
use super::style::style_sheet;
use super::text::{Anchor, Sheet, width};

/// Half of a tick's words.
const LEFT: f64 = 30.0;
const RIGHT: f64 = 30.0;
/// Height of a lane.
const LANE: f64 = 22.0;

/// A phase.
#[derive(Clone, Debug, PartialEq)]
pub struct Span {
    /// Its name.
    pub name: String,
    /// From, in the unit of the axis.
    pub from: f64,
    /// To.
    pub to: f64,
}

/// An event, told by its number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// Its number in the list.
    pub number: usize,
    /// When.
    pub at: f64,
}

/// A time line.
#[derive(Clone, Debug, PartialEq)]
pub struct TimeLine {
    /// Begins the ids within the picture.
    pub id: String,
    /// What it is.
    pub title: String,
    /// What it says, for those who do not see it.
    pub description: String,
    /// Time, with its unit.
    pub axis: Axis,
    /// Phases.
    pub spans: Vec<Span>,
    /// Events.
    pub marks: Vec<Mark>,
}

/// Takes a place of this width in the first lane where it is free.
fn lane(lanes: &mut Vec<f64>, from: f64, to: f64) -> f64 {
    let free = lanes.iter().position(|end| *end + 4.0 <= from).unwrap_or_else(|| {
        lanes.push(f64::NEG_INFINITY);
        lanes.len() - 1
    });
    lanes[free] = to;
    free as f64
}

impl TimeLine {
    /// The picture within a page that has the style sheet.
    #[must_use]
    pub fn in_page(&self) -> String {
        self.svg("").0
    }

    /// The picture as a file of its own.
    #[must_use]
    pub fn alone(&self) -> String {
        self.svg(&format!("<style>{}</style>", style_sheet())).0
    }

    pub(super) fn svg(&self, style: &str) -> (String, Sheet) {
        let finite = |span: &&Span| span.from.is_finite() && span.to >= span.from && span.to.is_finite();
        let spans: Vec<&Span> = self.spans.iter().filter(finite).collect();
        let ends = spans.iter().flat_map(|span| [span.from, span.to]);
        let all = ends.chain(self.marks.iter().map(|mark| mark.at));
        let scale = Scale::across(&self.axis, &all, WIDTH - LEFT - RIGHT);
        let across = |at: f64| LEFT + scale.place(at) * (WIDTH - LEFT - RIGHT);
        let mut sheet = Sheet::default();
        let (mut lanes, mut numbers) = (Vec::new(), Vec::new());
        for mark in self.marks.iter().filter(|mark| mark.at.is_finite()) {
            let (x, words) = (across(mark.at), mark.number.to_string());
            let half = width(&words) / 2.0;
            // At the very ends a number moves inward.
            let at = x.clamp(half, WIDTH - half);
            numbers.push((x, at, words, lane(&mut lanes, at - half, at + half)));
        }
        let top = 8.0 + LANE * lanes.len() as f64;
        let mut named = Vec::new();
        let mut below = Vec::new();
        for span in &spans {
            let (from, to) = (across(span.from), across(span.to));
            let wide = width(&span.name);
            let inside = wide + 8.0 <= to - from;
            let left = if inside { from + 4.0 } else { from.min(WIDTH - wide - 2.0) };
            let row = if inside { None } else { Some(lane(&mut below, left, left + wide)) };
            named.push((from, to, left, row, span.name.as_str()));
        }
        let bottom = top + LANE;
        let ground = bottom + LANE * below.len() as f64 + 6.0;
        for (from, to, left, row, name) in &named {
            sheet.element(&format_args!(
                "<rect class=\"phase\" x=\"{from:.1}\" y=\"{top:.1}\" width=\"{:.1}\" height=\"{LANE}\"/>",
                (to - from).max(1.0)
            ));
            match row {
                None => sheet.text((*left, top + 15.0), Anchor::Start, "", name),
                Some(row) => {
                    let y = bottom + 15.0 + LANE * row;
                    sheet.element(&format_args!(
                        "<path class=\"grid\" d=\"M{from:.1} {bottom:.1}V{:.1}\"/>",
                        y - 11.0
                    ));
                    sheet.text((*left, y), Anchor::Start, "", name);
                }
            }
        }
        for (x, at, words, row) in &numbers {
            let y = 14.0 + LANE * row;
            sheet.element(&format_args!("<path class=\"line b\" d=\"M{x:.1} {:.1}V{top:.1}\"/>", y + 3.0));
            sheet.text((*at, y), Anchor::Middle, "", words);
        }
        for tick in &scale.ticks {
            let x = across(*tick);
            sheet.element(&format_args!("<path class=\"frame\" d=\"M{x:.1} {ground:.1}v5\"/>"));
            sheet.text((x, ground + 18.0), Anchor::Middle, "quiet", &scale.words(*tick));
        }
        sheet
            .element(&format_args!("<path class=\"frame\" d=\"M{LEFT} {ground:.1}H{:.1}\"/>", WIDTH - RIGHT));
        sheet.text((WIDTH / 2.0, ground + 36.0), Anchor::Middle, "quiet", &self.axis.label);
        let height = ground + 44.0;
        (wrapped(&self.id, (&self.title, &self.description), height, style, &sheet.svg), sheet)
    }
}
