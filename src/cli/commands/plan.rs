//! `bandlift plan`.

use crate::batch::{self, NightOptions, PlanOptions};
use crate::cli::args::PlanArguments;
use crate::cli::commands::run::tell;
use crate::cli::{Exit, Output, signals};
use crate::report;

pub(in crate::cli) fn run(arguments: &PlanArguments, out: &mut Output) -> Exit {
    let options = PlanOptions {
        night: NightOptions {
            jobs: arguments.jobs.map(usize::from),
            allow_outside: arguments.allow_outside,
            stop: signals::stop(out),
            ..NightOptions::default()
        },
        crop: arguments.crop.clone(),
        outlook: arguments.outlook.clone(),
        precision: arguments.precision.clone(),
    };
    match batch::plan(&arguments.archive, &arguments.out, &options, &out.progress()) {
        Err(error) => {
            out.error(&error);
            Exit::from(&error)
        }
        Ok(planned) => {
            if arguments.json {
                out.json(&report::plan_json(&planned.plan, &planned.night.archive));
            } else {
                out.result(&report::plan_table(&planned.plan, &planned.night.archive));
            }
            if let Some(half_width_kg_ha) = planned.half_width_kg_ha.filter(|_| !arguments.json) {
                out.result(&report::replication_text(&planned.plan, &planned.night.archive, half_width_kg_ha));
            }
            let exit = tell(&planned.night, out);
            out.note(&format!("the plan: {}", planned.table.display()));
            exit
        }
    }
}
