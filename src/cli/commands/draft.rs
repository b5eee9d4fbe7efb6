//! `bandlift draft`: from a folder of files as they come to an archive.

use serde_json::json;

use crate::cli::args::DraftArguments;
use crate::cli::{Exit, Output};
use crate::draft::{DraftOptions, draft};

pub(in crate::cli) fn run(arguments: &DraftArguments, out: &mut Output) -> Exit {
    let options = DraftOptions { out: arguments.out.clone(), update: arguments.update };
    let report = match draft(&arguments.folder, &options) {
        Ok(report) => report,
        Err(error) => {
            out.error(&error);
            return Exit::Nothing;
        }
    };
    if arguments.json {
        let questions: Vec<_> = report
            .questions
            .iter()
            .map(|question| {
                json!({
                    "key": question.key, "asks": question.asks, "decides": question.decides,
                    "answers": question.answers.iter().map(|(answer, probability)| json!({ "answer": answer, "probability": probability })).collect::<Vec<_>>(),
                })
            })
            .collect();
        out.json(&json!({
            "archive": report.archive, "site_years": report.site_years, "questions": questions,
            "to_fill_in": report.to_fill_in, "to_uncomment": report.to_uncomment,
            "left_out": report.left_out,
        }));
        return Exit::Done;
    }
    if report.site_years.is_empty() {
        out.result("nothing new\n");
        return Exit::Done;
    }
    for place in &report.site_years {
        out.result(&format!("{place}/field.toml\n"));
    }
    for question in &report.questions {
        let answers: Vec<String> = question
            .answers
            .iter()
            .map(|(answer, probability)| format!("{answer} ({:.0} %)", 100.0 * probability))
            .collect();
        out.result(&format!("question {}: {} {}\n", question.key, question.asks, answers.join(" or ")));
    }
    for key in &report.to_fill_in {
        out.result(&format!("to fill in: {key}\n"));
    }
    for (file, what) in &report.to_uncomment {
        out.result(&format!("to uncomment: {what}, in {file}\n"));
    }
    let archive = report.archive.display();
    out.message(&format!(
        "{} site-years, {} questions, {} keys to fill in, {} files left out; read {archive}/draft.md, answer in {archive}/archive.toml, then: bandlift run {archive} --out OUT",
        report.site_years.len(),
        report.questions.len(),
        report.to_fill_in.len(),
        report.left_out.len()
    ));
    Exit::Done
}
