//! No stage's result changes under its old version: what each stage makes of the example archive is kept as a digest beside the
//! version that made it.
//!
//! Numbers are rounded to six significant digits before they are hashed, and what is below 10⁻⁹ counts as zero, so that the last
//! digits of another processor's arithmetic change nothing. Of the report the texts are hashed; its Parquet, GeoTIFF and GeoPackage
//! hold the numbers of the stages before it. What the example archive does not have (logs of applications, observations, covariates)
//! is not seen here.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::fs;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::one::{SiteYearWork, price};
use super::{archive_settings, discover, field_settings, fingerprint, resolve};
use crate::ingest::{self, SharedLayers};
use crate::report::{self, Provenance};

/// A stage's version, and what it made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Made {
    stage: String,
    version: u32,
    digest: String,
}

const FILE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/stages.json");
const REWRITE: &str = "cargo test --release --lib -- --ignored rewrite_the_digests_of_the_stages";

/// A text with its fractions rounded.
fn rounded(text: &str) -> String {
    let bytes = text.as_bytes();
    let mut out = String::with_capacity(text.len());
    let mut at = 0;
    while at < bytes.len() {
        let is_begin = bytes[at].is_ascii_digit() && (at == 0 || !is_of_word(bytes[at - 1]));
        let mut end = at + 1;
        if is_begin {
            while end < bytes.len() && is_of_number(bytes, end) {
                end += 1;
            }
        } else {
            while !text.is_char_boundary(end) {
                end += 1;
            }
        }
        let part = &text[at..end];
        match part.parse::<f64>() {
            Ok(number) if is_begin && part.contains(['.', 'e']) => {
                if number < 1e-9 {
                    out.truncate(out.trim_end_matches('-').len());
                    out.push('0');
                } else {
                    write!(out, "{number:.5e}").unwrap();
                }
            }
            _ => out.push_str(part),
        }
        at = end;
    }
    out
}

fn is_of_word(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte == b'_' || byte == b'.'
}

fn is_of_number(bytes: &[u8], at: usize) -> bool {
    let is_digit = |at: usize| bytes.get(at).is_some_and(u8::is_ascii_digit);
    match bytes[at] {
        b'0'..=b'9' => true,
        b'.' => is_digit(at + 1),
        b'e' => is_digit(at + 1) || (bytes.get(at + 1) == Some(&b'-') && is_digit(at + 2)),
        b'-' => bytes[at - 1] == b'e' && is_digit(at + 1),
        _ => false,
    }
}

/// What the stages make of the example archive, in their order.
fn made() -> Vec<Made> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/archive");
    let archive = archive_settings(&root).unwrap();
    let mut hashers: BTreeMap<&str, blake3::Hasher> = BTreeMap::new();
    let mut add = |stage: &'static str, text: &str| {
        assert!(!text.contains(env!("CARGO_MANIFEST_DIR")), "`{stage}` tells where the checkout lies");
        hashers.entry(stage).or_default().update(rounded(text).as_bytes());
    };
    let folders = discover(&root).folders;
    assert!(folders.len() > 3);
    for folder in folders {
        let field = field_settings(&folder, "field.toml", &archive).unwrap();
        let files = resolve(&root, &folder, &field, &archive, false).unwrap();
        let ingested = ingest::run(&files, &field, &archive, &SharedLayers::default()).unwrap();
        add("ingest", &format!("{ingested:?}"));
        let mut analysed = SiteYearWork::new(&ingested, &field, &archive, None).unwrap().analyse("place").unwrap();
        let assigned = &analysed.joined.assigned;
        add("clean", &format!("{:?}", assigned.cleaned));
        add("assign", &format!("{assigned:?}"));
        add("join", &format!("{:?}", analysed.joined));
        add("fit", &format!("{:?} {:?}", analysed.result, analysed.differences));
        price(&mut analysed.result.responses, &field, &archive);
        add("economics", &format!("{:?}", analysed.result.responses));
        for file in report::site_year(analysed.case(&ingested, &archive, &Provenance::default())).unwrap().0 {
            add("report", &file.name);
            if let Ok(text) = std::str::from_utf8(&file.bytes) {
                add("report", text);
            }
        }
    }
    let stages = fingerprint::STAGES.iter().filter_map(|&(stage, version)| {
        let digest = hashers.get(stage)?.finalize().to_hex()[..32].to_owned();
        Some(Made { stage: stage.to_owned(), version, digest })
    });
    stages.collect()
}

/// What is wrong with the versions, if anything: the first stage that makes something else speaks, for those after it follow.
fn fault(now: &[Made], kept: &[Made]) -> Option<String> {
    if now.iter().map(|one| &one.stage).ne(kept.iter().map(|one| &one.stage)) {
        return Some(format!("the stages are others than those of {FILE}; write it anew: {REWRITE}"));
    }
    let (now, kept) = now.iter().zip(kept).find(|(now, kept)| now != kept)?;
    let Made { stage, version, .. } = now;
    Some(if *version == kept.version {
        format!(
            "what `{stage}` makes of the example archive has changed, and its VERSION is still {version}: what nights remember \
             would pass for it. Raise VERSION in src/{stage}/mod.rs, say in the commit what moved, then: {REWRITE}"
        )
    } else {
        format!("`{stage}` has a new version; keep what it makes: {REWRITE}")
    })
}

#[test]
fn a_stage_that_makes_something_else_has_a_new_version() {
    let kept: Vec<Made> = serde_json::from_slice(&fs::read(FILE).unwrap()).unwrap();
    assert_eq!(fault(&made(), &kept), None);
}

#[test]
#[ignore = "writes tests/data/stages.json"]
fn rewrite_the_digests_of_the_stages() {
    fs::write(FILE, format!("{}\n", serde_json::to_string_pretty(&made()).unwrap())).unwrap();
}

#[test]
fn a_changed_digest_is_told_by_the_first_stage_that_has_it() {
    let made = |of: [(u32, &str); 2]| {
        let one = |stage: &str, (version, digest): (u32, &str)| Made {
            stage: stage.to_owned(),
            version,
            digest: digest.to_owned(),
        };
        vec![one("clean", of[0]), one("fit", of[1])]
    };
    let kept = made([(1, "a"), (1, "b")]);
    assert_eq!(fault(&kept, &kept), None);
    let told = |of| fault(&made(of), &kept).unwrap();
    assert!(told([(1, "x"), (1, "y")]).contains("`clean` makes"));
    assert!(told([(1, "a"), (1, "y")]).contains("VERSION in src/fit/mod.rs"));
    assert!(told([(2, "x"), (1, "y")]).contains("`clean` has a new version"));
    assert!(told([(1, "a"), (2, "b")]).contains("`fit` has a new version"));
    assert!(fault(&kept[..1], &kept).is_some());
}

#[test]
fn fractions_are_rounded_and_words_and_whole_numbers_stay() {
    let cases = [
        ("a1.25, 1.23456789, 123456789", "a1.25, 1.23457e0, 123456789"),
        ("[-2.5e-7,-3.1e-17, 0.0]", "[-2.50000e-7,0, 0]"),
        ("yield 1.0 t/ha; 0x1.5; 7.", "yield 1.00000e0 t/ha; 0x1.5; 7."),
        ("größe 12.3456789", "größe 1.23457e1"),
    ];
    for (text, expected) in cases {
        assert_eq!(rounded(text), expected);
    }
    assert_eq!(rounded("1.0000000001"), rounded("0.99999999999"), "the last digits were kept");
}
