//! The grower's page is one sheet of paper, and so is the operator's.

use crate::browser;
use crate::example;

/// Pages of a PDF: objects of the type Page (ISO 32000-1, 7.7.3.3).
fn pages(pdf: &[u8]) -> usize {
    let text: String = pdf.iter().map(|&byte| char::from(byte)).collect();
    text.match_indices("/Type /Page").filter(|(at, _)| !text[at + 11..].starts_with('s')).count()
}

#[test]
fn a_report_prints_on_one_page() {
    let Some(browser) = browser::find() else { return };
    for report in example::reports() {
        let pdf = browser.print(&report);
        assert_eq!(pages(&pdf), 1, "{}", report.display());
    }
}

#[test]
fn a_sheet_of_up_to_24_strips_prints_on_one_page() {
    let Some(browser) = browser::find() else { return };
    let mut longest = 0;
    for sheet in example::sheets() {
        let strips = std::fs::read_to_string(&sheet).unwrap().matches("<td class=\"blank\"></td></tr>").count();
        longest = longest.max(strips);
        let pdf = browser.print(&sheet);
        assert_eq!(pages(&pdf), if strips <= 24 { 1 } else { 2 }, "{strips} strips, {}", sheet.display());
    }
    assert_eq!(longest, 24, "the example has a sheet of 24 strips");
}

#[test]
fn the_index_prints_on_two_pages() {
    let Some(browser) = browser::find() else { return };
    assert_eq!(pages(&browser.print(&example::out().join("index.html"))), 2);
}

#[test]
fn a_count_of_pages_can_fail() {
    let Some(browser) = browser::find() else { return };
    let folder = tempfile::TempDir::new().unwrap();
    let path = folder.path().join("long.html");
    std::fs::write(&path, "<p style='height: 3000px'>long</p><p>end</p>").unwrap();
    assert!(pages(&browser.print(&path)) > 1);
}
