//! draft.md: each guess with its evidence, and the questions.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::Writer;
use crate::draft::ask::Question;
use crate::draft::columns::SURE;
use crate::draft::described;
use crate::draft::sight::{Kind, Place};

impl Writer<'_> {
    /// The columns of logs of applications.
    fn applied_md(&self, out: &mut String) {
        let is_new = |files: &[usize]| files.iter().any(|file| !self.found.known.contains(file));
        for group in self.found.applied.iter().filter(|group| is_new(&group.files)) {
            let names: Vec<String> = group.files.iter().map(|&file| cell(&self.found.seen[file].name)).collect();
            let _ = writeln!(out, "\n{}, of an application; rates: {}:\n", names.join(", "), group.rates.levels_text());
            out.push_str("| column | is | probability | evidence |\n| --- | --- | --- | --- |\n");
            for (column, what, probability, evidence) in group.rates.listed() {
                let _ =
                    writeln!(out, "| {} | {} | {probability:.2} | {} |", cell(&column), cell(&what), cell(&evidence));
            }
        }
    }

    /// The entries that stand as remarks.
    fn to_uncomment_md(&self, out: &mut String) {
        if !self.report.to_uncomment.is_empty() {
            out.push_str("\n## To uncomment\n\nThese entries are written into the settings as comments: the data do not say whether they are wanted.\n\n");
            for (file, what) in &self.report.to_uncomment {
                let _ = writeln!(out, "- {}: {}", cell(file), cell(what));
            }
        }
    }

    /// The site-years with their files.
    fn sites_md(&self, out: &mut String) {
        out.push_str("\n## Site-years\n\n| season | farm | field | named by | crop | files | records |\n| --- | --- | --- | --- | --- | --- | --- |\n");
        for site in &self.found.sites {
            let files: BTreeSet<&str> =
                site.parts.iter().map(|part| self.found.seen[part.file].name.as_str()).collect();
            let rows: usize = site.parts.iter().map(|part| part.rows).sum();
            let _ = writeln!(
                out,
                "| {} | {} | {} | {} | {} | {} | {rows} |",
                site.season.map_or_else(|| "?".to_owned(), |season| season.to_string()),
                cell(&site.farm),
                cell(&site.field),
                site.named_by,
                site.crop.unwrap_or("?"),
                files.into_iter().map(cell).collect::<Vec<_>>().join(", ")
            );
        }
    }

    pub(super) fn draft_md(&mut self, update: bool) -> String {
        let mut out = String::from(if update { "\n# Added\n" } else { "# Draft\n" });
        let questions = self.report.questions.clone();
        let _ = writeln!(
            out,
            "\nbandlift looked at {} files. A guess with a probability below {SURE} becomes a question; `run` guesses nothing.",
            self.found.seen.len()
        );
        out.push_str("\n## Questions\n\nEach is answered once, under `[answers]` in archive.toml.\n\n");
        for question in &questions {
            question_in_full(&mut out, question);
        }
        if questions.is_empty() {
            out.push_str("None.\n");
        }
        out.push_str("\n## To fill in\n\nThe data do not hold prices, costs and, where no label says so, which treatment is the check.\n\n");
        for key in &self.report.to_fill_in {
            let _ = writeln!(out, "- `{key}`");
        }
        out.push_str("\n## Columns and units\n");
        let is_new = |files: &[usize]| files.iter().any(|file| !self.found.known.contains(file));
        for group in self.found.groups.iter().filter(|group| is_new(&group.files)) {
            let names: Vec<&str> = group.files.iter().map(|&file| self.found.seen[file].name.as_str()).collect();
            let more = if names.len() > 3 { format!(" and {} more", names.len() - 3) } else { String::new() };
            let _ = writeln!(out, "\n{}{more}:\n", names.iter().take(3).copied().collect::<Vec<_>>().join(", "));
            out.push_str("| column | is | probability | evidence |\n| --- | --- | --- | --- |\n");
            if let Some(log) = self.log(group.files[0]) {
                if let Some(time) = log.times.first() {
                    let clock = time.clock.as_ref().map_or_else(String::new, |clock| format!(", {}", cell(clock)));
                    let _ = writeln!(
                        out,
                        "| {}{clock} | time, `{}` | {:.2} | {} |",
                        cell(&time.column),
                        time.format,
                        time.probability,
                        cell(&time.evidence)
                    );
                }
                if let Place::Columns(lon, lat, probability) = &log.place {
                    let evidence = "a pair of degrees that spans a field";
                    let _ = writeln!(out, "| {} | longitude | {probability:.2} | {evidence} |", cell(lon));
                    let _ = writeln!(out, "| {} | latitude | {probability:.2} | {evidence} |", cell(lat));
                }
            }
            for line in &group.columns.lines {
                let unit = if line.unit.is_empty() { String::new() } else { format!(" in {}", line.unit) };
                let _ = writeln!(
                    out,
                    "| {} | {}{unit} | {:.2} | {} |",
                    cell(&line.column),
                    line.key,
                    line.probability,
                    cell(&line.evidence)
                );
            }
            for (channel, column) in &group.columns.labels {
                let _ = writeln!(out, "| {} | {} | 0.97 | its name and values |", cell(column), channel.key());
            }
            for (column, what) in &group.columns.left_out {
                let _ = writeln!(out, "| {} | left out | | {} |", cell(column), cell(what));
            }
        }
        self.applied_md(&mut out);
        self.sites_md(&mut out);
        let unused: Vec<(String, String)> = self
            .found
            .seen
            .iter()
            .enumerate()
            .filter(|(at, seen)| {
                let is_told = self.used.contains(at) || self.found.known.contains(at);
                !is_told && !matches!(seen.kind, Kind::Other(_))
            })
            .map(|(_, seen)| (seen.name.clone(), format!("{}; no site-year takes it", described(&seen.kind))))
            .filter(|(name, _)| !self.report.left_out.iter().any(|(known, _)| known == name))
            .collect();
        self.report.left_out.extend(unused);
        out.push_str("\n## Left out\n\n");
        for (name, reason) in &self.report.left_out {
            let _ = writeln!(out, "- {}: {}", cell(name), cell(reason));
        }
        if self.report.left_out.is_empty() {
            out.push_str("Nothing.\n");
        }
        self.to_uncomment_md(&mut out);
        if !self.notes.is_empty() {
            out.push_str("\n## Notes\n\n");
            for note in &self.notes {
                let _ = writeln!(out, "- {note}");
            }
        }
        out
    }
}

fn question_in_full(out: &mut String, question: &Question) {
    let _ = writeln!(out, "### `{}`\n\n{}\n", question.key, question.asks);
    for (answer, probability) in &question.answers {
        let _ = writeln!(out, "- `{answer}`: probability {probability:.2}");
    }
    let _ = writeln!(out, "\nWhat decides it: {}.\n", question.decides);
}

/// A text as a cell of a table in Markdown.
fn cell(text: &str) -> String {
    crate::text::plain(text).replace('|', "\\|").replace('\n', " ")
}
