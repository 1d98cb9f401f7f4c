//! Charts of values over values.
use super::axis::{Axis, Scale};
use super::style::style_sheet;
use super::text::{Anchor, SIZE, Sheet, escaped, width};
use std::fmt::Write;

/// Left of the plot: room for the ticks' words.
const LEFT: f64 = 62.0;
/// Right of it: half of the last tick's words.
const RIGHT: f64 = 40.0;
/// Under it: ticks and label.
const UNDER: f64 = 44.0;
/// A row of the legend.
const ROW: f64 = 18.0;
/// A sample of a line in the legend.
const SAMPLE: f64 = 30.0;

/// Which of the series something belongs to: colour, dash and mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Series {
    /// Unbroken, circles.
    A,
    /// Long dashes, squares.
    B,
    /// Dots, triangles.
    C,
    /// Dash and dot, crosses.
    D,
}

impl Series {
    fn class(self) -> &'static str {
        match self {
            Self::A => "a",
            Self::B => "b",
            Self::C => "c",
            Self::D => "d",
        }
    }

    fn dash(self) -> &'static str {
        match self {
            Self::A => "",
            Self::B => " stroke-dasharray=\"8 4\"",
            Self::C => " stroke-dasharray=\"2 3\"",
            Self::D => " stroke-dasharray=\"9 3 2 3\"",
        }
    }

    fn mark(self, x: f64, y: f64) -> String {
        match self {
            Self::A => format!("M{:.1} {y:.1}a3.2 3.2 0 1 0 6.4 0a3.2 3.2 0 1 0 -6.4 0z", x - 3.2),
            Self::B => format!("M{:.1} {:.1}h5.6v5.6h-5.6z", x - 2.8, y - 2.8),
            Self::C => format!("M{x:.1} {:.1}l3.6 6.2h-7.2z", y - 3.8),
            Self::D => format!("M{:.1} {:.1}l6 6m0 -6l-6 6", x - 3.0, y - 3.0),
        }
    }
}

/// Something in a chart. Points whose numbers are not finite are left out.
#[derive(Clone, Debug, PartialEq)]
pub enum Layer {
    /// A line.
    Line(Series, String, Vec<(f64, f64)>),
    /// A doubt: x, lower, upper.
    Doubt(Series, String, Vec<(f64, f64, f64)>),
    /// Points with the half-width of their doubt (0: none is drawn).
    Points(Series, String, Vec<(f64, f64, f64)>),
    /// What is allowed: x, lower, upper.
    Allowed(String, Vec<(f64, f64, f64)>),
    /// A level that is not to be left.
    Limit(String, f64),
}

impl Layer {
    fn name(&self) -> &str {
        match self {
            Self::Line(_, name, _)
            | Self::Doubt(_, name, _)
            | Self::Points(_, name, _)
            | Self::Allowed(name, _)
            | Self::Limit(name, _) => name,
        }
    }

    fn values(&self) -> Vec<(f64, f64)> {
        let finite = |(x, y): &(f64, f64)| x.is_finite() && y.is_finite();
        let all: Vec<(f64, f64)> = match self {
            Self::Line(_, _, points) => points.clone(),
            Self::Doubt(_, _, points) | Self::Allowed(_, points) => {
                points.iter().flat_map(|(x, low, high)| [(*x, *low), (*x, *high)]).collect()
            }
            Self::Points(_, _, points) => {
                points.iter().flat_map(|(x, y, half)| [(*x, y - half), (*x, y + half)]).collect()
            }
            Self::Limit(..) => Vec::new(),
        };
        all.into_iter().filter(finite).collect()
    }
}

/// A chart.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// Begins the ids within the picture: each page has it once.
    pub id: String,
    /// What it is.
    pub title: String,
    /// What it says, for those who do not see it.
    pub description: String,
    /// Across.
    pub x: Axis,
    /// Up.
    pub y: Axis,
    /// What is drawn, the first lowest.
    pub layers: Vec<Layer>,
    /// Height, width being 720.
    pub height: f64,
}

/// Width of every chart.
pub(super) const WIDTH: f64 = 720.0;

impl Chart {
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
        let mut sheet = Sheet::default();
        let legend = legend(&self.layers);
        let rows = legend.last().map_or(0.0, |(_, _, row)| row + 1.0);
        let top = 12.0 + ROW * rows;
        let plot = Plot::new(self, top);
        plot.frame(&mut sheet, self);
        for (layer, x, row) in &legend {
            let y = 14.0 + ROW * row;
            sample(&mut sheet, &self.layers[*layer], *x, y - 4.0);
            sheet.text((x + SAMPLE + 6.0, y), Anchor::Start, "", self.layers[*layer].name());
        }
        for layer in &self.layers {
            plot.layer(&mut sheet, layer);
        }
        if self.layers.iter().all(|layer| layer.values().is_empty()) {
            let middle = (f64::midpoint(plot.left, plot.right), f64::midpoint(plot.top, plot.bottom));
            sheet.text(middle, Anchor::Middle, "quiet", "nothing was measured");
        }
        (wrapped(&self.id, (&self.title, &self.description), self.height, style, &sheet.svg), sheet)
    }
}

/// The picture around its elements.
pub(super) fn wrapped(id: &str, words: (&str, &str), height: f64, style: &str, body: &str) -> String {
    wrapped_in(id, words, (WIDTH, height), style, body)
}

/// The same in any size.
pub(super) fn wrapped_in(
    id: &str,
    (title, description): (&str, &str),
    (width, height): (f64, f64),
    style: &str,
    body: &str,
) -> String {
    let (id, title, description) = (escaped(id), escaped(title), escaped(description));
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"figure\" viewBox=\"0 0 {width} {height}\" role=\"img\" \
         aria-labelledby=\"{id}-title {id}-words\">\n<title id=\"{id}-title\">{title}</title>\n\
         <desc id=\"{id}-words\">{description}</desc>\n{style}\
         <rect class=\"ground\" width=\"{width}\" height=\"{height}\"/>\n{body}</svg>\n"
    )
}

/// Layers with a name, each with its place and row. A layer that has nothing to show is not in it.
fn legend(layers: &[Layer]) -> Vec<(usize, f64, f64)> {
    let (mut x, mut row, mut all) = (LEFT, 0.0, Vec::new());
    for (at, layer) in layers.iter().enumerate() {
        let shown =
            !layer.values().is_empty() || matches!(layer, Layer::Limit(_, level) if level.is_finite());
        if layer.name().is_empty() || !shown {
            continue;
        }
        let wide = SAMPLE + 6.0 + width(layer.name());
        if x > LEFT && x + wide > WIDTH - 8.0 {
            (x, row) = (LEFT, row + 1.0);
        }
        all.push((at, x, row));
        x += wide + 22.0;
    }
    all
}

fn sample(sheet: &mut Sheet, layer: &Layer, x: f64, y: f64) {
    let to = x + SAMPLE;
    match layer {
        Layer::Line(series, ..) => {
            sheet.element(&format_args!(
                "<path class=\"line {}\"{} d=\"M{x:.1} {y:.1}H{to:.1}\"/>",
                series.class(),
                series.dash()
            ));
        }
        Layer::Doubt(series, ..) => sheet.element(&format_args!(
            "<rect class=\"doubt {}\" x=\"{x:.1}\" y=\"{:.1}\" width=\"{SAMPLE}\" height=\"10\"/>",
            series.class(),
            y - 5.0
        )),
        Layer::Points(series, ..) => sheet.element(&format_args!(
            "<path class=\"mark {}\" d=\"{}\"/>",
            series.class(),
            series.mark(f64::midpoint(x, to), y)
        )),
        Layer::Allowed(..) => sheet.element(&format_args!(
            "<rect class=\"tolerance\" x=\"{x:.1}\" y=\"{:.1}\" width=\"{SAMPLE}\" height=\"10\"/>",
            y - 5.0
        )),
        Layer::Limit(..) => {
            sheet.element(&format_args!("<path class=\"limit\" d=\"M{x:.1} {y:.1}H{to:.1}\"/>"));
        }
    }
}

/// The plot and its scales.
struct Plot {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    x: Scale,
    y: Scale,
}

impl Plot {
    fn new(chart: &Chart, top: f64) -> Self {
        let values: Vec<(f64, f64)> = chart.layers.iter().flat_map(Layer::values).collect();
        let limits = chart
            .layers
            .iter()
            .filter_map(|layer| if let Layer::Limit(_, level) = layer { Some(*level) } else { None });
        // The label of the upright axis stands in a row of its own.
        let (top, bottom) = (top + ROW, chart.height - UNDER);
        let up = values.iter().map(|(_, y)| *y).chain(limits);
        let y = Scale::over(&chart.y, up, ((bottom - top) / 42.0).max(2.0));
        let (left, right) = (LEFT.max(y.widest() + 10.0), WIDTH - RIGHT);
        let x = Scale::across(&chart.x, &values.iter().map(|(x, _)| *x), right - left);
        Self { left, right, top, bottom, x, y }
    }

    fn at(&self, (x, y): (f64, f64)) -> (f64, f64) {
        (
            self.left + self.x.place(x) * (self.right - self.left),
            self.bottom - self.y.place(y) * (self.bottom - self.top),
        )
    }

    fn frame(&self, sheet: &mut Sheet, chart: &Chart) {
        let (left, right, top, bottom) = (self.left, self.right, self.top, self.bottom);
        for tick in &self.y.ticks {
            let (_, y) = self.at((self.x.from, *tick));
            sheet.element(&format_args!("<path class=\"grid\" d=\"M{left:.1} {y:.1}H{right:.1}\"/>"));
            sheet.text((left - 6.0, y + 0.35 * SIZE), Anchor::End, "quiet figures", &self.y.words(*tick));
        }
        for tick in &self.x.ticks {
            let (x, _) = self.at((*tick, self.y.from));
            sheet.element(&format_args!("<path class=\"grid\" d=\"M{x:.1} {top:.1}V{bottom:.1}\"/>"));
            sheet.text((x, bottom + 18.0), Anchor::Middle, "quiet figures", &self.x.words(*tick));
        }
        sheet.element(&format_args!(
            "<path class=\"frame\" d=\"M{left:.1} {top:.1}V{bottom:.1}H{right:.1}\"/>"
        ));
        sheet.text((left, top - 8.0), Anchor::Start, "quiet", &chart.y.label);
        sheet.text((f64::midpoint(left, right), bottom + 34.0), Anchor::Middle, "quiet", &chart.x.label);
    }

    fn layer(&self, sheet: &mut Sheet, layer: &Layer) {
        match layer {
            Layer::Line(series, _, points) => {
                if let Some(path) = self.path(points.iter().copied()) {
                    let (class, dash) = (series.class(), series.dash());
                    sheet.element(&format_args!("<path class=\"line {class}\"{dash} d=\"{path}\"/>"));
                }
            }
            Layer::Doubt(series, _, points) => {
                if let Some(path) = self.area(points) {
                    sheet.element(&format_args!("<path class=\"doubt {}\" d=\"{path}\"/>", series.class()));
                }
            }
            Layer::Allowed(_, points) => {
                if let Some(path) = self.area(points) {
                    sheet.element(&format_args!("<path class=\"tolerance\" d=\"{path}\"/>"));
                }
            }
            Layer::Points(series, _, points) => self.points(sheet, *series, points),
            Layer::Limit(_, level) if level.is_finite() => {
                let (_, y) = self.at((self.x.from, *level));
                sheet.element(&format_args!(
                    "<path class=\"limit\" d=\"M{:.1} {y:.1}H{:.1}\"/>",
                    self.left, self.right
                ));
            }
            Layer::Limit(..) => {}
        }
    }

    fn points(&self, sheet: &mut Sheet, series: Series, points: &[(f64, f64, f64)]) {
        for (x, y, half) in points.iter().filter(|(x, y, half)| (x + y + half).is_finite()) {
            let (across, up) = self.at((*x, *y));
            let (high, low) = (self.at((*x, y + half)).1, self.at((*x, y - half)).1);
            if low - high > 1.0 {
                sheet.element(&format_args!(
                    "<path class=\"bar {}\" d=\"M{across:.1} {high:.1}V{low:.1}M{:.1} {high:.1}h6M{:.1} {low:.1}h6\"/>",
                    series.class(),
                    across - 3.0,
                    across - 3.0
                ));
            }
            sheet.element(&format_args!(
                "<path class=\"mark {}\" d=\"{}\"/>",
                series.class(),
                series.mark(across, up)
            ));
        }
    }

    fn path(&self, points: impl Iterator<Item = (f64, f64)>) -> Option<String> {
        let mut path = String::new();
        for point in points.filter(|(x, y)| (x + y).is_finite()) {
            let (x, y) = self.at(point);
            let _ = write!(path, "{}{x:.1} {y:.1}", if path.is_empty() { 'M' } else { 'L' });
        }
        (!path.is_empty()).then_some(path)
    }

    fn area(&self, points: &[(f64, f64, f64)]) -> Option<String> {
        let whole = || points.iter().filter(|(x, low, high)| (x + low + high).is_finite());
        let there = whole().map(|(x, low, _)| (*x, *low));
        let back = whole().rev().map(|(x, _, high)| (*x, *high));
        self.path(there.chain(back)).map(|path| path + "z")
    }
}
