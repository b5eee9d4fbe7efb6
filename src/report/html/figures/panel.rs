//! Panels: small figures of one width that stand side by side on a wide page and below each other on a narrow one, and that a
//! slide holds three of in a row.

use super::{Scale, Svg, escaped, tick_label};

/// Width of a panel, px.
pub(in crate::report::html) const WIDTH: f64 = 352.0;
/// Height of a line of text, px.
pub(in crate::report::html) const LINE: f64 = 17.0;
/// Letters of a title that fit into a line.
const TITLE_LETTERS: usize = 46;
/// Lines that a title may have.
const TITLE_LINES: usize = 2;

/// A panel that is drawn.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report::html) struct Panel {
    /// Its markup.
    pub(in crate::report::html) svg: String,
    /// Its height, px.
    pub(in crate::report::html) height: f64,
}

/// A panel under way.
pub(super) struct Sheet {
    pub(super) svg: Svg,
    height: f64,
    /// Where the next line begins.
    pub(super) y: f64,
}

impl Sheet {
    /// A panel with a title of so many lines and room of so many px below it; `data` are further attributes, escaped.
    pub(super) fn new(title: &str, lines: usize, room: f64, data: &str) -> Self {
        let top = LINE * lines as f64 + 6.0;
        let height = (top + room).ceil();
        let mut svg = Svg::with_data(WIDTH, height, "panel", title, data);
        for (at, line) in wrapped(title, TITLE_LETTERS, lines).iter().enumerate() {
            svg.text("title", (0.0, LINE * (at as f64 + 0.8)), "start", line);
        }
        Self { svg, height, y: top }
    }

    /// Grid lines with their labels below, from the present line down `room` px.
    pub(super) fn axis(&mut self, x: &Scale, about: f64, room: f64, unit: &str) {
        let ticks = x.ticks(about);
        let (top, bottom) = (self.y, self.y + room);
        for &tick in &ticks {
            let class = if tick.abs() < 1e-9 { "zero" } else { "grid" };
            self.svg.line(class, (x.at(tick), top), (x.at(tick), bottom));
            self.svg.text("tick", (x.at(tick), bottom + 14.0), "middle", &tick_label(tick, &ticks));
        }
        if !unit.is_empty() {
            self.svg.text("tick", (WIDTH, bottom + 29.0), "end", unit);
        }
    }

    /// An interval with its mean at a height; `class` says what is shown of it.
    pub(super) fn mark(&mut self, x: &Scale, y: f64, class: &str, mean: Option<f64>, interval: Option<(f64, f64)>) {
        self.svg.raw(format_args!("<g class=\"{class}\">"));
        if let Some((low, high)) = interval {
            self.svg.line("reach", (x.at(low), y), (x.at(high), y));
        }
        if let Some(mean) = mean {
            self.dot(x.at(mean), y, 4.5, "");
        }
        self.svg.raw("</g>");
    }

    /// A point; `title` is shown when it is pointed at.
    pub(super) fn dot(&mut self, x: f64, y: f64, radius: f64, title: &str) {
        let title = if title.is_empty() { String::new() } else { format!("<title>{}</title>", escaped(title)) };
        self.svg
            .raw(format_args!("<circle class=\"mean\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\">{title}</circle>"));
    }

    pub(super) fn finish(self) -> Panel {
        Panel { svg: self.svg.finish(), height: self.height }
    }
}

/// Lines that the longest of some titles needs, so that the panels of a figure line up.
pub(super) fn title_lines<'t>(titles: impl IntoIterator<Item = &'t str>) -> usize {
    titles.into_iter().map(|title| wrapped(title, TITLE_LETTERS, TITLE_LINES).len()).max().unwrap_or(1)
}

/// A text in lines of so many letters; what does not fit into the last ends in an ellipsis.
pub(in crate::report::html) fn wrapped(text: &str, letters: usize, lines: usize) -> Vec<String> {
    let mut rows: Vec<String> = vec![String::new()];
    for word in text.split_whitespace() {
        let Some(line) = rows.last_mut() else { break };
        if line.is_empty() {
            word.clone_into(line);
        } else if line.chars().count() + 1 + word.chars().count() <= letters {
            line.push(' ');
            line.push_str(word);
        } else {
            rows.push(word.to_owned());
        }
    }
    if rows.len() > lines {
        let rest = rows.split_off(lines - 1).join(" ");
        rows.push(rest);
    }
    for line in &mut rows {
        *line = shortened(line, letters);
    }
    rows
}

/// A text cut to so many letters.
pub(in crate::report::html) fn shortened(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(most - 1).collect();
    short.push('…');
    short
}

/// What an interval shows: `gain`, `loss`, or `open` where it holds 0 or there is none.
pub(in crate::report::html) fn shown(interval: Option<(f64, f64)>) -> &'static str {
    match interval {
        Some((low, _)) if low > 0.0 => "gain",
        Some((_, high)) if high < 0.0 => "loss",
        _ => "open",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_hold_whole_words_and_the_last_says_that_there_is_more() {
        assert_eq!(wrapped("one two three", 7, 2), ["one two", "three"]);
        assert_eq!(wrapped("one two three four", 7, 2), ["one two", "three …"]);
        assert_eq!(wrapped("", 7, 2), [""]);
        assert_eq!(shortened("üüüü", 3), "üü…");
    }
}
