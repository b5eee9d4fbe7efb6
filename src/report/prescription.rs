//! What a terminal reads of a plan: for each field a task data set (ISO 11783-10, version 4) of treatment zones as polygons.
//!
//! Elements and their letters are those of the standard as two general-purpose libraries of it read them
//! (`tests/reference/prescriptions.rs`). A task holds one product at its tested rate on the ground that gets it. Everywhere else,
//! outside the field and without a position, nothing is put down.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::io::{Cursor, Write as _};

use geo::{Area, BooleanOps, LineString, MultiPolygon, unary_union};

use super::html::escaped;
use super::strips::to_degrees;
use super::{FIRST, LABEL_FIRST, OutputFile, ReportError};
use crate::config::{ArchiveSettings, Treatment};
use crate::geometry::Projector;
use crate::quantity::{ApplicationRate, RateKind};
use crate::results::{Decision, PlannedField, SeasonPlan};
use crate::text::plain;

/// The file of a field.
pub(super) const PRESCRIPTION: &str = "prescription.zip";
const MEMBER: &str = "TASKDATA/TASKDATA.XML";

/// Most characters of a name or a comment (ISO 11783-10).
const LONGEST: usize = 32;
/// What the name of a task begins with.
const LABEL: &str = "Label first: ";
/// A rate that whole steps of the dictionary miss by more than this share is not written (ours: a tenth of the default tolerance by
/// which a log tells a tested rate).
const MOST_ROUNDING: f64 = 0.01;

/// Number of the data dictionary (ISO 11783-11) of the setpoint rate of a kind, and its steps in one litre, kilogram or piece per hectare.
const fn setpoint(kind: RateKind) -> (u16, f64) {
    match kind {
        // 0.01 mm³/m², 1 mg/m², 0.001/m²
        RateKind::Volume => (1, 1e4),
        RateKind::Mass => (6, 100.0),
        RateKind::Count => (11, 0.1),
    }
}

/// A product at its tested rate.
struct Dose<'t> {
    product: &'t Treatment,
    ddi: u16,
    steps: i32,
}

/// The setpoint of a rate; the error says why it has none.
fn steps(rate: ApplicationRate) -> Result<(u16, i32), String> {
    let (ddi, of_one) = setpoint(rate.unit.kind);
    let exact = rate.per_ha * of_one;
    let whole = exact.round();
    let fits = whole >= 1.0 && whole <= f64::from(i32::MAX) && (whole / exact - 1.0).abs() <= MOST_ROUNDING;
    let told = || format!("{} {}", rate.per_ha / rate.unit.per_ha, rate.unit.symbol);
    if fits { Ok((ddi, whole as i32)) } else { Err(format!("the standard's steps do not hold its rate of {}", told())) }
}

/// What is put down of a treatment: itself, or the treatments that it is made of.
fn doses<'t>(treatment: &'t Treatment, archive: &'t ArchiveSettings) -> Result<Vec<Dose<'t>>, String> {
    let parts: Vec<&Treatment> = match treatment.of.as_slice() {
        [] => vec![treatment],
        of => archive.treatments.iter().filter(|one| of.contains(&one.key)).collect(),
    };
    let dose = |product: &'t Treatment| {
        let rate = product.rate.ok_or("archive.toml gives it no rate, such as rate = \"8 fl oz/ac\"")?;
        let (ddi, steps) = steps(rate)?;
        Ok(Dose { product, ddi, steps })
    };
    parts.into_iter().map(dose).collect()
}

/// A treatment zone of a task.
struct Zone {
    name: &'static str,
    gets: bool,
    ground: MultiPolygon<f64>,
}

/// A task: one product on the ground that gets it.
struct Task<'t> {
    name: String,
    dose: Dose<'t>,
    zones: Vec<Zone>,
}

fn joined<'g>(grounds: impl Iterator<Item = &'g MultiPolygon<f64>>) -> MultiPolygon<f64> {
    MultiPolygon::new(grounds.flat_map(|ground| ground.0.iter().cloned()).collect())
}

/// The tasks of a field: the ground to treat of each treatment, without that of the strips, then the strips of each product.
fn tasks<'t>(field: &PlannedField, archive: &'t ArchiveSettings) -> Vec<Task<'t>> {
    let mut tasks = Vec::new();
    let treated = || archive.treatments.iter().filter(|one| !one.check);
    let strips = field.strips.as_ref().map_or(&[][..], |layout| layout.strips.as_slice());
    let planted = unary_union(strips.iter().map(|strip| &strip.planted));
    for treatment in treated() {
        let of = |decision: Decision| {
            let own = field.zones.iter().filter(|zone| zone.advice.treatment == treatment.key);
            joined(own.filter(|zone| zone.decision == decision).map(|zone| &zone.ground)).difference(&planted)
        };
        let has_ground = !of(Decision::Treat).0.is_empty();
        for dose in doses(treatment, archive).into_iter().flatten().filter(|_| has_ground) {
            let decisions = [(Decision::Treat, "treat"), (Decision::Leave, "leave"), (Decision::Test, "test")];
            let zones = decisions.map(|(decision, name)| (name, decision == Decision::Treat, of(decision)));
            let zones = zones.into_iter().chain([("strips", false, planted.clone())]);
            let zones = zones.map(|(name, gets, ground)| Zone { name, gets, ground }).collect();
            tasks.push(Task { name: format!("zones {}", treatment.key), dose, zones });
        }
    }
    let mut drawn: Vec<(String, Vec<&str>)> = Vec::new();
    for treatment in treated().filter(|one| strips.iter().any(|strip| strip.treatment == one.key)) {
        let parts = if treatment.of.is_empty() { std::slice::from_ref(&treatment.key) } else { &treatment.of };
        for part in parts {
            match drawn.iter_mut().find(|(product, _)| product == part) {
                Some((_, strips)) => strips.push(&treatment.key),
                None => drawn.push((part.clone(), vec![&treatment.key])),
            }
        }
    }
    for (product, treatments) in drawn {
        let product = archive.treatments.iter().find(|one| one.key == product);
        let Some(dose) = product.and_then(|product| doses(product, archive).ok()?.pop()) else { continue };
        let is_check = |key: &str| archive.treatments.iter().any(|one| one.check && one.key == key);
        let of = |keep: &dyn Fn(&str) -> bool| {
            joined(strips.iter().filter(|strip| keep(&strip.treatment)).map(|strip| &strip.planted))
        };
        let gets = |key: &str| treatments.contains(&key);
        let zones = vec![
            Zone { name: "strips", gets: true, ground: of(&gets) },
            Zone { name: "check strips", gets: false, ground: of(&is_check) },
            Zone { name: "strips of others", gets: false, ground: of(&|key| !gets(key) && !is_check(key)) },
        ];
        tasks.push(Task { name: format!("strips {}", dose.product.key), dose, zones });
    }
    tasks
}

/// A name that fits and that no other has: its beginning, with a number where that is taken.
fn designator(text: &str, taken: &mut BTreeSet<String>) -> String {
    let text = plain(text);
    let cut = |most: usize| text.chars().take(most).collect::<String>();
    let mut name = cut(LONGEST);
    for number in 2.. {
        if !taken.contains(&name) {
            break;
        }
        let end = format!(" {number}");
        name = cut(LONGEST - end.len()) + &end;
    }
    taken.insert(name.clone());
    name
}

/// A text in comments that are short enough.
fn comments(text: &str) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= LONGEST => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

fn ring(xml: &mut String, kind: u8, ring: &LineString<f64>) {
    let _ = write!(xml, "<LSG A=\"{kind}\">");
    for at in ring.coords() {
        let _ = write!(xml, "<PNT A=\"2\" C=\"{:.9}\" D=\"{:.9}\"/>", at.y, at.x);
    }
    xml.push_str("</LSG>\n");
}

/// Polygons of a kind (1 boundary of a field, 2 treatment zone), each with its outer ring and its holes.
fn polygons(xml: &mut String, kind: u8, ground: &MultiPolygon<f64>, projector: &Projector) -> Result<(), ReportError> {
    let degrees = projector.convert_polygons(ground).map_err(|fault| ReportError::new(PRESCRIPTION, fault))?;
    for polygon in degrees.ok_or_else(|| ReportError::new(PRESCRIPTION, "ground lies off the map"))?.0 {
        let _ = write!(xml, "<PLN A=\"{kind}\">");
        ring(xml, 1, polygon.exterior());
        polygon.interiors().iter().for_each(|hole| ring(xml, 2, hole));
        xml.push_str("</PLN>\n");
    }
    Ok(())
}

/// The file of a field; `None` where nothing of a known rate is to be put down.
pub(super) fn file(field: &PlannedField, archive: &ArchiveSettings) -> Result<Option<OutputFile>, ReportError> {
    let tasks = tasks(field, archive);
    if tasks.is_empty() {
        return Ok(None);
    }
    let projector = to_degrees(PRESCRIPTION, field)?;
    let mut xml = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<!-- {FIRST} -->\n<ISO11783_TaskData VersionMajor=\"4\" VersionMinor=\"3\" \
         ManagementSoftwareManufacturer=\"bandlift\" ManagementSoftwareVersion=\"{}\" DataTransferOrigin=\"1\">\n",
        env!("CARGO_PKG_VERSION")
    );
    let _ = writeln!(
        xml,
        "<PFD A=\"PFD1\" C=\"{}\" D=\"{:.0}\">",
        escaped(&designator(&field.field, &mut BTreeSet::new())),
        field.ground.unsigned_area()
    );
    polygons(&mut xml, 1, &field.ground, &projector)?;
    xml.push_str("</PFD>\n");
    let mut products: Vec<&str> = Vec::new();
    let mut taken = BTreeSet::new();
    for Task { dose, .. } in &tasks {
        if !products.contains(&dose.product.key.as_str()) {
            products.push(&dose.product.key);
            let Treatment { key, label, .. } = dose.product;
            let name = if label.chars().count() <= LONGEST { label } else { key };
            let name = escaped(&designator(name, &mut taken));
            let _ = writeln!(xml, "<PDT A=\"PDT{}\" B=\"{name}\"/>", products.len());
        }
    }
    let mut taken = BTreeSet::new();
    for (number, Task { name, dose, zones }) in (1..).zip(&tasks) {
        let product = products.iter().position(|key| *key == dose.product.key).unwrap_or(0) + 1;
        let setpoint = |steps: i32| format!("<PDV A=\"{:04X}\" B=\"{steps}\" C=\"PDT{product}\"/></TZN>\n", dose.ddi);
        let name = escaped(&designator(&format!("{LABEL}{name}"), &mut taken));
        // planned; zone 0 by default, without a position and outside the field
        let _ = writeln!(xml, "<TSK A=\"TSK{number}\" B=\"{name}\" E=\"PFD1\" G=\"1\" H=\"0\" I=\"0\" J=\"0\">");
        let _ = write!(xml, "<TZN A=\"0\" B=\"elsewhere\">{}", setpoint(0));
        for (code, zone) in (1..).zip(zones.iter().filter(|zone| !zone.ground.0.is_empty())) {
            let _ = writeln!(xml, "<TZN A=\"{code}\" B=\"{}\">", zone.name);
            polygons(&mut xml, 2, &zone.ground, &projector)?;
            xml.push_str(&setpoint(if zone.gets { dose.steps } else { 0 }));
        }
        for line in comments(LABEL_FIRST) {
            let _ = writeln!(xml, "<CAN C=\"{line}\"/>");
        }
        xml.push_str("</TSK>\n");
    }
    xml.push_str("</ISO11783_TaskData>\n");
    let mut packed = zip::ZipWriter::new(Cursor::new(Vec::new()));
    let refused = |fault: zip::result::ZipError| ReportError::new(PRESCRIPTION, fault);
    packed.start_file(MEMBER, zip::write::SimpleFileOptions::default()).map_err(refused)?;
    packed.write_all(xml.as_bytes()).map_err(|fault| ReportError::new(PRESCRIPTION, fault))?;
    let bytes = packed.finish().map_err(refused)?.into_inner();
    Ok(Some(OutputFile { name: PRESCRIPTION.into(), bytes }))
}

/// For how many fields there is one, and why not for a treatment, as text.
pub(super) fn as_text(plan: &SeasonPlan, archive: &ArchiveSettings) -> String {
    let fields = plan.fields.iter().filter(|field| !tasks(field, archive).is_empty()).count();
    let mut text = match fields {
        0 => String::new(),
        _ => format!(
            "Prescriptions (ISO 11783-10) for {fields} of {} fields: {PRESCRIPTION}, one task a treatment at its tested rate.\n",
            plan.fields.len()
        ),
    };
    for treatment in archive.treatments.iter().filter(|one| !one.check) {
        if let Err(reason) = doses(treatment, archive) {
            let _ = writeln!(text, "no prescription: {}: {reason}", treatment.label);
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_fit_and_differ() {
        let mut taken = BTreeSet::new();
        let long = "a field with a name that is longer than thirty-two";
        assert_eq!(designator(long, &mut taken), "a field with a name that is long");
        assert_eq!(designator(long, &mut taken), "a field with a name that is lo 2");
        assert_eq!(designator("ü\u{1b}", &mut taken), "ü\\u{1b}");
        let lines = comments(LABEL_FIRST);
        assert!(lines.iter().all(|line| line.chars().count() <= LONGEST));
        assert_eq!(lines.join(" "), LABEL_FIRST);
    }

    /// ISO 11783-11: 1 in 0.01 mm³/m², 6 in 1 mg/m², 11 in 0.001 /m². By hand: 8 fl oz/ac is 0.584614 L/ha (NIST SP 811), 5846.14 steps.
    #[test]
    fn setpoints_are_those_of_the_dictionary() {
        let of = |text: &str| steps(ApplicationRate::parse(text).unwrap());
        assert_eq!(of("8 fl oz/ac"), Ok((1, 5846)));
        assert_eq!(of("1 L/ha"), Ok((1, 10_000)));
        assert_eq!(of("200 kg/ha"), Ok((6, 20_000)));
        assert_eq!(of("80000 1/ha"), Ok((11, 8000)));
        // 0.25 of a step; more steps than a number of the standard holds
        for text in ["2.5 g/ha", "300 m3/ha"] {
            assert!(of(text).unwrap_err().contains("steps do not hold its rate of"), "{text}");
        }
    }
}
