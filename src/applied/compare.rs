//! Drawn strips beside a log: what was meant and what was put down.

use geo::{Area, BooleanOps, MultiPolygon};

use super::ribbons::grown;
use crate::points::Finding;

/// Share of a drawn strip of which the log must tell something (ours).
const LEAST_SHARE: f64 = 0.25;

/// A drawn strip in the frame of the log.
#[derive(Debug, Clone)]
pub(super) struct Drawn {
    pub(super) name: String,
    pub(super) block: Option<String>,
    pub(super) ground: MultiPolygon<f64>,
    /// The treatment that it was drawn as.
    pub(super) meant: String,
}

/// What the log says of a drawn strip that is not what was meant.
#[derive(Debug, Clone)]
pub(super) struct Disagreement {
    /// Its place among the drawn strips.
    pub(super) strip: usize,
    pub(super) finding: Finding,
    /// What was put down there.
    pub(super) told: Option<String>,
    /// Ground that disagrees, m².
    pub(super) area_m2: f64,
    /// The strip that it is swapped with.
    pub(super) with: Option<usize>,
}

/// What the log tells of each drawn strip, and what disagrees. `classes` are treatments with their ground, `check` the one without; a
/// pass is `width_m` wide, and a strip at least `least_m` long.
pub(super) fn compare(
    drawn: &[Drawn],
    classes: &[(String, MultiPolygon<f64>)],
    check: &str,
    (width_m, least_m): (f64, f64),
) -> (Vec<Option<String>>, Vec<Disagreement>) {
    let (mut told, mut found) = (Vec::new(), Vec::new());
    for (at, strip) in drawn.iter().enumerate() {
        let area_m2 = strip.ground.unsigned_area();
        let held: Vec<(&String, MultiPolygon<f64>)> =
            classes.iter().map(|(treatment, ground)| (treatment, strip.ground.intersection(ground))).collect();
        let most = held.iter().max_by(|a, b| a.1.unsigned_area().total_cmp(&b.1.unsigned_area()));
        let sum: f64 = held.iter().map(|(_, ground)| ground.unsigned_area()).sum();
        let Some((treatment, own)) = most.filter(|_| sum >= LEAST_SHARE * area_m2) else {
            told.push(None);
            found.push(Disagreement { strip: at, finding: Finding::NotLogged, told: None, area_m2, with: None });
            continue;
        };
        told.push(Some((*treatment).clone()));
        if strip.meant != **treatment {
            let finding = if strip.meant == check {
                Finding::TreatedCheck
            } else if *treatment == check {
                Finding::UntreatedStrip
            } else {
                Finding::OtherRate
            };
            let area_m2 = own.unsigned_area();
            found.push(Disagreement { strip: at, finding, told: Some((*treatment).clone()), area_m2, with: None });
            continue;
        }
        for (other, ground) in held.iter().filter(|(other, _)| other != treatment) {
            // a border that lies a little aside is no pass
            let core = grown(ground, -0.25 * width_m).unsigned_area();
            if core >= 0.25 * width_m * least_m {
                let (told, area_m2) = (Some((*other).clone()), ground.unsigned_area());
                found.push(Disagreement { strip: at, finding: Finding::MissedPass, told, area_m2, with: None });
            }
        }
    }
    pair_swapped(drawn, &mut found);
    (told, found)
}

/// Two strips that carry each other's treatment are swapped: of one block before others, then the nearer.
fn pair_swapped(drawn: &[Drawn], found: &mut [Disagreement]) {
    use geo::Centroid;
    let wrong = |one: &Disagreement| {
        matches!(one.finding, Finding::TreatedCheck | Finding::UntreatedStrip | Finding::OtherRate)
    };
    let middle = |at: usize| drawn[at].ground.centroid().map_or((0.0, 0.0), |at| (at.x(), at.y()));
    let mut pairs = Vec::new();
    for at in 0..found.len() {
        for other in at + 1..found.len() {
            let (one, two) = (&found[at], &found[other]);
            let (a, b) = (&drawn[one.strip], &drawn[two.strip]);
            if wrong(one) && wrong(two) && one.told.as_ref() == Some(&b.meant) && two.told.as_ref() == Some(&a.meant) {
                let ((ax, ay), (bx, by)) = (middle(one.strip), middle(two.strip));
                pairs.push((a.block.is_none() || a.block != b.block, (ax - bx).hypot(ay - by), at, other));
            }
        }
    }
    pairs.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    for (_, _, at, other) in pairs {
        if found[at].with.is_none() && found[other].with.is_none() {
            let (one, two) = (found[at].strip, found[other].strip);
            (found[at].with, found[other].with) = (Some(two), Some(one));
            (found[at].finding, found[other].finding) = (Finding::Swapped, Finding::Swapped);
        }
    }
}
