//! `bandlift demo`: writes the invented archive, runs it, and sets the truth beside the estimates.

use std::path::PathBuf;

use crate::batch::{self, NightOptions, NightReport, PlanOptions, PlanReport};
use crate::cli::args::DemoArguments;
use crate::cli::{Exit, Output, signals};
use crate::demo::{self, Truth};
use crate::report::{self, Units, aligned};

pub(in crate::cli) fn run(arguments: &DemoArguments, out: &mut Output) -> Exit {
    let dir = arguments.dir.clone().unwrap_or_else(default_dir);
    let archive = dir.join("archive");
    // a folder that the user named may hold the user's own; the one below the system's temporary folder is the demo's
    let allowed = if arguments.dir.is_some() { demo::archive::refuse_other(&archive) } else { Ok(()) };
    let truth = match allowed
        .and_then(|()| demo::archive::write(&archive, demo::Options::default()))
        .and_then(|truth| truth.save(&dir.join("truth.json")).map(|()| truth))
    {
        Ok(truth) => truth,
        Err(error) => {
            out.error(&error);
            return Exit::Nothing;
        }
    };
    out.note(&format!("an invented archive of {} site-years: {}", truth.site_years.len(), archive.display()));
    let jobs = arguments.jobs.map(usize::from);
    let night = NightOptions { jobs, stop: signals::stop(out), ..NightOptions::default() };
    let options = PlanOptions { night, ..PlanOptions::default() };
    match batch::plan(&archive, &dir.join("out"), &options, &out.progress()) {
        Err(error) => {
            out.error(&error);
            Exit::from(&error)
        }
        Ok(PlanReport { night, plan, .. }) => {
            out.result("\nTruth beside estimate, by site-year and ground:\n");
            out.result(&compare(&night, &truth));
            out.result("\nTreated minus check over site-years:\n");
            out.result(&report::zone_table(&night.conclusions.synthesis.zones, &night.archive));
            out.result(&super::run::in_words(&night));
            out.result("\nWhere to treat next season:\n");
            out.result(&report::plan_table(&plan, &night.archive));
            let exit = super::run::tell(&night, out);
            out.result(&format!("\n{}\n", night.index.display()));
            exit
        }
    }
}

fn default_dir() -> PathBuf {
    std::env::temp_dir().join("bandlift-demo")
}

/// The true and the estimated responses, and how often the interval holds the truth.
fn compare(night: &NightReport, truth: &Truth) -> String {
    let header = ["season", "field", "treatment", "ground", "truth", "estimate", "interval", "held"];
    let mut rows = vec![header.map(str::to_owned).to_vec()];
    let (mut with_interval, mut held) = (0, 0);
    for result in &night.site_years {
        let units = Units::new(&night.archive, &result.identity.crop);
        for response in &result.responses {
            let identity = &result.identity;
            let Some(true_kg_ha) = truth.response(
                identity.season,
                &identity.farm,
                &identity.field,
                &response.key.treatment,
                &response.class_name,
            ) else {
                continue;
            };
            let estimate = units.estimate(&response.estimate);
            let true_value = units.yields(true_kg_ha);
            let Some(mean) = estimate.mean else { continue };
            let (interval, answer) = match (estimate.low, estimate.high) {
                (Some(low), Some(high)) => {
                    let inside = (low..=high).contains(&true_value);
                    with_interval += 1;
                    held += usize::from(inside);
                    (format!("{low:.1} to {high:.1}"), if inside { "yes" } else { "no" })
                }
                _ => (String::new(), ""),
            };
            rows.push(vec![
                identity.season.to_string(),
                identity.field.clone(),
                response.key.treatment.clone(),
                response.class_name.clone(),
                format!("{true_value:+.1} {}", units.yield_unit),
                format!("{mean:+.1}"),
                interval,
                answer.to_owned(),
            ]);
        }
    }
    let mut text = aligned(&rows);
    let _ = std::fmt::Write::write_fmt(
        &mut text,
        format_args!(
            "{held} of {with_interval} intervals ({:.0} %) hold the truth; {} were to be expected.\n",
            100.0 * f64::from(held as u32) / f64::from((with_interval as u32).max(1)),
            report::level(night.archive.model.confidence)
        ),
    );
    text
}
