//! With one or two blocks nothing is said of what a treatment pays; with more, the answer stands beside its variants.

use std::fs;

use crate::archive::{Archive, strip_features};
use bandlift::points::Caution;

/// Words by which a page or a table would lead to a decision.
const DECISION_WORDS: [&str; 8] =
    ["pays", "paid", "profit", "break-even", "net return", "recommend", "worth", "should be treated"];

/// An archive whose only site-year keeps the strips of its first blocks.
fn with_blocks(blocks: usize) -> Archive {
    let archive = Archive::single();
    let strips = &strip_features()[..2 * blocks];
    archive.write("fields/bad/strips.geojson", crate::archive::collection(strips));
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_no_decision_word(&format!("{}{}", said.stdout, said.stderr), "what the program says");
    archive
}

/// The cautions themselves speak of decisions and demonstrations; all other text must not.
fn assert_no_decision_word(text: &str, what: &str) {
    let mut text = text.to_lowercase();
    for caution in Caution::ALL {
        text = text.replace(caution.text(), "");
    }
    for word in DECISION_WORDS {
        assert!(!text.contains(word), "{what} says `{word}`");
    }
}

#[test]
fn one_or_two_blocks_lead_to_no_decision() {
    for blocks in [1, 2] {
        let archive = with_blocks(blocks);
        let whole = archive.response("bad", "all");
        assert_eq!(whole["blocks"], blocks.to_string());
        assert!(!whole["response"].is_empty());
        assert_eq!(whole["std_error"].is_empty(), blocks == 1, "{whole:?}");
        let caution = if blocks == 1 { "unreplicated" } else { "few-blocks" };
        assert!(whole["caution"].split(';').any(|code| code == caution), "{}", whole["caution"]);
        for table in ["response.csv"]
            .map(|name| archive.result("bad", name))
            .into_iter()
            .chain(["site_years.csv", "response_by_zone.csv"].map(|name| archive.out().join(name)))
        {
            for row in Archive::table(&table) {
                for column in ["break_even", "probability_pays", "net_return"] {
                    assert!(row[column].is_empty(), "{column} in {}: {row:?}", table.display());
                }
                assert!(row.get("paid").is_none_or(|paid| paid == "0"));
                assert!(row.get("probability_new_site_pays").is_none_or(String::is_empty));
            }
        }
        assert_eq!(archive.summary("bad")["decision_allowed"]["band"], false);
        for page in [archive.result("bad", "report.html"), archive.out().join("index.html")] {
            assert_no_decision_word(&fs::read_to_string(&page).unwrap(), &page.display().to_string());
        }
    }
}

#[test]
fn three_blocks_are_reported_with_what_they_pay_and_with_every_variant() {
    let archive = Archive::single();
    assert_eq!(archive.run().code, 0);
    assert!(!archive.response("bad", "all")["probability_pays"].is_empty());
    let summary = archive.summary("bad");
    assert_eq!(summary["decision_allowed"]["band"], true);
    let rows = Archive::table(&archive.result("bad", "sensitivity.csv"));
    let whole: Vec<_> = rows.iter().filter(|row| row["drainage_class"] == "all").collect();
    let variants: Vec<&str> = whole.iter().map(|row| row["variant"].as_str()).collect();
    assert_eq!(
        variants,
        [
            "block differences",
            "block differences, CR2",
            "sign-flip over blocks",
            "segment differences, AR(1)",
            "prior of the strips halved",
            "prior of the strips doubled",
            "soil lines as drawn",
            "yield rules off",
            "buffers halved",
            "buffers doubled",
            "lag -2 s",
            "lag +2 s",
            "without block 1",
            "without block 2",
            "without block 3"
        ]
    );
    for row in &whole {
        let response: f64 = row["response"].parse().unwrap();
        assert!((5.0..25.0).contains(&response), "{row:?}");
        assert_eq!(row["sign_changed"], "no");
    }
    // three differences of one sign: two of the eight layouts are as far out
    assert_eq!(whole[2]["p_value"], "0.2500");
    let changes = summary["sign_changes"].as_array().unwrap();
    let all = changes.iter().find(|one| one["class_name"] == "all").unwrap();
    assert_eq!((all["changed"].as_u64(), all["variants"].as_u64()), (Some(0), Some(15)));
    let page = fs::read_to_string(archive.result("bad", "report.html")).unwrap();
    assert!(page.contains("the sign changed in 0 of 15; of the "), "the page does not tell of the variants");
}
