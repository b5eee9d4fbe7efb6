//! The grower's page is one sheet of paper, and so is the operator's.

use crate::browser;
use crate::example;

/// Pages of a PDF: objects of the type Page (ISO 32000-1, 7.7.3.3).
pub fn pages(pdf: &[u8]) -> usize {
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
fn a_sheet_of_strips_prints_on_one_page() {
    let Some(browser) = browser::find() else { return };
    for sheet in example::sheets() {
        assert_eq!(pages(&browser.print(&sheet)), 1, "{}", sheet.display());
    }
}

/// The example has no sheet of so many strips: its rows are repeated, and the map is as large as it is for them.
#[test]
fn a_sheet_of_24_strips_prints_on_one_page() {
    let Some(browser) = browser::find() else { return };
    let sheet = std::fs::read_to_string(&example::sheets()[0]).unwrap();
    let is_row = |line: &&str| line.starts_with("<tr>") && line.contains("<td class=\"blank\">");
    let rows: Vec<&str> = sheet.lines().filter(is_row).collect();
    assert!((1..=16).contains(&rows.len()), "{} strips", rows.len());
    let more: Vec<&str> = rows.iter().copied().cycle().take(24 - rows.len()).collect();
    let last = *rows.last().unwrap();
    let longer =
        sheet.replace(last, &format!("{last}\n{}", more.join("\n"))).replace("max-height: 96mm", "max-height: 66mm");
    assert_eq!(longer.lines().filter(is_row).count(), 24);
    let folder = tempfile::TempDir::new().unwrap();
    let path = folder.path().join("strips.html");
    std::fs::write(&path, longer).unwrap();
    assert_eq!(pages(&browser.print(&path)), 1);
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
