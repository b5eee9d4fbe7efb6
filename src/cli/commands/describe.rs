//! `bandlift describe`.

use serde_json::{Value, json};

use crate::cli::args::{DescribeArguments, Reference};
use crate::cli::{Exit, Output};
use crate::points::{Caution, Mark};
use crate::report::{self, aligned};

pub(in crate::cli) fn run(arguments: &DescribeArguments, out: &mut Output) -> Exit {
    if arguments.json {
        out.json(&as_json(arguments.of));
    } else {
        out.result(&as_text(arguments.of));
    }
    Exit::Done
}

fn as_text(of: Reference) -> String {
    let rows: Vec<Vec<String>> = match of {
        Reference::Columns => return report::columns_text(),
        Reference::Marks => {
            Mark::ALL.iter().map(|mark| [mark.code(), mark.text(), mark.needs()].map(str::to_owned).to_vec()).collect()
        }
        Reference::Cautions => {
            Caution::ALL.iter().map(|caution| [caution.code(), caution.text()].map(str::to_owned).to_vec()).collect()
        }
    };
    aligned(&rows)
}

fn as_json(of: Reference) -> Value {
    let marks = || {
        Mark::ALL.iter().map(|mark| {
        json!({ "code": mark.code(), "meaning": mark.text(), "needs": mark.needs(), "source": mark.source() })
    })
    };
    let cautions = || Caution::ALL.iter().map(|caution| json!({ "code": caution.code(), "meaning": caution.text() }));
    match of {
        Reference::Columns => report::columns_json(),
        Reference::Marks => marks().collect(),
        Reference::Cautions => cautions().collect(),
    }
}
