//! Where the doubt of the speeds comes from, as a table for people.
use crate::calibrate::budget::{BudgetLine, Evaluation, Part, SharedBy};
use crate::run::{BudgetRow, StepSource};
use crate::words;
use std::collections::BTreeSet;
use std::fmt::Write;

/// The table; empty where there is no budget.
pub(crate) fn lines(budget: &[BudgetRow]) -> String {
    if budget.is_empty() {
        return String::new();
    }
    let mut text = String::from("\n  where the doubt comes from, mm/s (k = 1)\n");
    let head = budget.iter().map(|row| {
        let mark = if row.source == StepSource::Predicted { "p" } else { "" };
        format!("step {}{mark} {}", row.step, words::direction(row.direction))
    });
    row(&mut text, "", &head.collect::<Vec<_>>());
    row(&mut text, "speed", &numbers(budget, |row| Some(row.speed_mm_s)));
    // The same lines in the same order at each; a line that one of them lacks is left open there.
    let parts: BTreeSet<Part> = budget.iter().flat_map(|row| &row.lines).map(|line| line.part).collect();
    for part in parts {
        let Some(first) = budget.iter().find_map(|row| line(row, part)) else { continue };
        let kind = if first.evaluation == Evaluation::A { 'A' } else { 'B' };
        let shared = if first.shared_by == SharedBy::Axle { "*" } else { "" };
        let name = format!("{} ({kind}){shared}", words::part(part));
        row(&mut text, &name, &numbers(budget, |row| Some(line(row, part)?.u_mm_s)));
    }
    row(&mut text, "own, together", &numbers(budget, |row| Some(row.own_u_mm_s)));
    row(&mut text, "shared, together*", &numbers(budget, |row| Some(row.shared_u_mm_s)));
    row(&mut text, "all, 95 % (+-)", &numbers(budget, |row| row.u95_mm_s));
    text += "  *: the same for every engine measured on this axle, so it is not in their differences\n";
    let unsought = [Part::Placing, Part::Contact]
        .into_iter()
        .filter_map(|part| budget.iter().find_map(|row| line(row, part)))
        .filter(|line| line.u_mm_s <= 0.0);
    for line in unsought {
        // Writing into a text cannot fail; the same holds below.
        let _ = writeln!(text, "  {}: {}", words::part(line.part), line.found);
    }
    text.push('\n');
    text
}

fn line(row: &BudgetRow, part: Part) -> Option<&BudgetLine> {
    row.lines.iter().find(|line| line.part == part)
}

fn numbers(budget: &[BudgetRow], of: impl Fn(&BudgetRow) -> Option<f64>) -> Vec<String> {
    budget.iter().map(|row| of(row).map_or_else(|| "-".to_owned(), |value| format!("{value:.3}"))).collect()
}

/// The table keeps within 80 columns.
fn row(text: &mut String, name: &str, columns: &[String]) {
    let _ = write!(text, "  {name:<24}");
    for column in columns {
        let _ = write!(text, "{column:>18}");
    }
    text.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::budget::Budget;
    use crate::station::Direction;

    fn a_row(step: u16, speed_mm_s: f64, source: StepSource) -> BudgetRow {
        let measured = source == StepSource::Measured;
        let first = if measured {
            BudgetLine::a(Part::Repeatability, 0.001 * speed_mm_s, 9.0, SharedBy::None, "turns")
        } else {
            BudgetLine::b(Part::Curve, 0.002 * speed_mm_s, SharedBy::None, "curve")
        };
        let lines = vec![
            first,
            BudgetLine::a(Part::Placing, 0.0, f64::INFINITY, SharedBy::Run, "not looked for"),
            BudgetLine::b(Part::Circumference, 0.0011 * speed_mm_s, SharedBy::Axle, "bench file"),
        ];
        let budget = Budget { lines: lines.clone() };
        let whole = budget.whole();
        BudgetRow {
            step,
            direction: Direction::Forward,
            source,
            speed_mm_s,
            lines,
            own_u_mm_s: budget.of(|by| by < SharedBy::Axle).u,
            shared_u_mm_s: budget.of(|by| by == SharedBy::Axle).u,
            u_mm_s: whole.u,
            degrees: whole.degrees,
            u95_mm_s: Some(whole.expanded()),
        }
    }

    #[test]
    fn each_line_stands_in_the_table() {
        let budget = [
            a_row(1, 13.67, StepSource::Measured),
            a_row(14, 190.0, StepSource::Predicted),
            a_row(28, 382.7, StepSource::Measured),
        ];
        let text = lines(&budget);
        assert!(text.lines().all(|line| line.chars().count() <= 80 || line.contains('*')), "{text}");
        insta::assert_snapshot!(text);
        assert_eq!(lines(&[]), "");
    }
}
