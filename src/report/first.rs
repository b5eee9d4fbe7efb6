//! What is said before anything is spent or sprayed, and the list of what suggests it.

/// What stands in every row of a table or layer that suggests spending or spraying, in the column `first`.
pub const LABEL_FIRST: &str =
    "Before anything is applied, the product label, local rules and a licensed adviser come first.";

/// What is printed wherever words suggest it; begins with [`LABEL_FIRST`].
pub const FIRST: &str = "Before anything is applied, the product label, local rules and a licensed adviser come first. \
                         Only the products and rates that stood in the strips are meant; nothing here supports another.";

/// The files of OUT that suggest spending or spraying, by name: they hold money, probabilities of paying, or where to treat.
/// [`FIRST`] stands in their text, [`LABEL_FIRST`] in each row, feature or object, and in every drawing and picture below `figures`.
pub const SUGGESTING_FILES: [&str; 25] = [
    "answers.md",
    "doses.csv",
    "economics.csv",
    "forest.csv",
    "index.html",
    "layers.gpkg",
    "layout.geojson",
    "plan.csv",
    "prescription.zip",
    "promised.csv",
    "promises.csv",
    "README.txt",
    "replication.csv",
    "report.html",
    "response.csv",
    "response_by_zone.csv",
    "site_years.csv",
    "sites.gpkg",
    "strips.csv",
    "strips.geojson",
    "strips.html",
    "summary.json",
    "zones.dbf",
    "zones.gpkg",
    "zoning.csv",
];

/// The commands whose result on the standard output suggests it, with and without `--json` where they have it.
pub const SUGGESTING_COMMANDS: [&str; 4] = ["demo", "plan", "run", "synthesise"];

/// Whether a file is on the list.
pub(super) fn suggests(file: &str) -> bool {
    SUGGESTING_FILES.contains(&file)
}
