//! A plan in words and as a table for the terminal.

use std::fmt::Write;

use super::{basis, cents, expected_money, fields_by_gain};
use crate::config::ArchiveSettings;
use crate::report::tables::aligned;
use crate::report::units::level;
use crate::report::{FIRST, Units, prescription, promises, strips};
use crate::results::{PlannedField, ReplicationRow, SeasonPlan, Why, ZonesRisk, ZonesStanding};

/// The layouts with the fewest strips whose interval is at most `half_width_kg_ha` to either side, as text.
pub fn replication_text(plan: &SeasonPlan, archive: &ArchiveSettings, half_width_kg_ha: f64) -> String {
    let units = Units::new(archive, &plan.crop);
    let printed = |value: f64| format!("{:.1} {}", units.yields(value), units.yield_unit);
    let mut text =
        format!("\nStrips for an interval of ± {} ({}):\n", printed(half_width_kg_ha), level(archive.model.confidence));
    for one in &plan.replication {
        let enough = |several: bool| {
            let rows =
                one.rows.iter().filter(|row| (row.site_years > 1) == several && row.half_width <= half_width_kg_ha);
            rows.min_by_key(|row| (row.site_years * row.blocks, row.site_years))
        };
        let said = |row: Option<&ReplicationRow>, what: &str| match row {
            Some(row) => format!(
                "{what}: {} site-year(s) of {} blocks (± {}; finds {} with 80 %)",
                row.site_years,
                row.blocks,
                printed(row.half_width),
                printed(row.detectable)
            ),
            None => format!("{what}: more than are tabulated in replication.csv"),
        };
        let _ = writeln!(
            text,
            "{}\n  {}\n  {}",
            one.treatment,
            said(enough(false), "one field in one season"),
            match one.between_sd {
                Some(_) => said(enough(true), "other fields and seasons"),
                None => "other fields and seasons: the archive does not yet show how they differ".to_owned(),
            }
        );
    }
    text
}

/// How far zones are known to be worth it, and what is lost if they are not.
pub(in crate::report) fn zones_risk(one: &ZonesRisk, archive: &ArchiveSettings, units: &Units) -> String {
    let standing = match one.standing {
        ZonesStanding::Shown => "zones were shown to earn more than one choice for a field",
        ZonesStanding::Likely => "zones probably earn more than one choice for a field",
        ZonesStanding::Bet => "zones are a bet: they were not shown to earn more than one choice for a field",
    };
    let currency = archive.currency.as_deref().unwrap_or("money");
    format!(
        "{standing}. On the {:.0} {} to treat or to leave of {} field{} they promise {:.0} {currency} a season above the better of \
         treating all and nothing of each, and lose {:.0} {currency} if the soils of a field respond alike.",
        units.area(one.area_m2),
        units.area_unit,
        one.fields,
        if one.fields == 1 { "" } else { "s" },
        one.promised_gain,
        one.loss_if_alike,
    )
}

/// Fields that the text names of those that strips would tell most for.
const MOST_FIELDS: usize = 3;

/// What strips would be worth, by treatment and by field. Money of a whole archive, not of an area.
fn strips_worth(plan: &SeasonPlan, archive: &ArchiveSettings) -> String {
    let mut text = String::new();
    for one in &plan.strips_worth {
        let most: Vec<String> = fields_by_gain(plan, one)
            .iter()
            .take(MOST_FIELDS)
            .map(|(field, gain)| format!("{} · {} {gain:.0}", field.farm, field.field))
            .collect();
        let _ = writeln!(
            text,
            "{}: another season of strips would gain at most {:.0} {} over these fields by a better choice, most on the ground of {}; the \
             smallest trial gives up at least {:.0}{}.",
            archive.label(&one.treatment),
            one.gain,
            archive.currency.as_deref().unwrap_or("money"),
            most.join(", "),
            one.cost,
            if one.is_worth() { "" } else { "; none are laid out" },
        );
    }
    text
}

/// What zones were worth with seasons or fields left out, and what those of the plan promise and risk.
fn zones_worth(plan: &SeasonPlan, archive: &ArchiveSettings, units: &Units) -> String {
    let mut text = String::new();
    for one in &plan.zoning {
        let label = archive.label(&one.treatment);
        let verdict = if one.is_shown {
            "zones are worth the trouble"
        } else {
            "zones were not shown to earn more than the better of everything and nothing"
        };
        let _ = writeln!(
            text,
            "{label}: each {} of {} site-years decided by the others, zones return {:.2}, treating everything {:.2} {}; {verdict} ({:+.2} ± {:.2}).",
            one.left_out.code(),
            one.site_years,
            cents(units.money(one.zoned)),
            cents(units.money(one.blanket)),
            units.money_unit,
            cents(units.money(one.gain)),
            cents(units.money(one.gain_std_error)),
        );
        if let Some((optimism, std_error)) = one.optimism {
            let _ = writeln!(
                text,
                "{label}: the ground so chosen returned {:.2} ± {:.2} {} {} than promised; {} is taken off the expected money.",
                cents(units.money(optimism.abs())),
                cents(units.money(std_error)),
                units.money_unit,
                if optimism > 0.0 { "less" } else { "more" },
                if optimism > 0.0 {
                    format!("{:.2}", cents(units.money(one.to_take_off())))
                } else {
                    "nothing".to_owned()
                },
            );
        }
    }
    for one in &plan.zones_risk {
        let _ = writeln!(text, "{}: {}", archive.label(&one.treatment), zones_risk(one, archive, units));
    }
    text
}

/// The plan as text: what to treat in each field, the totals, and what zones are worth.
pub fn as_text(plan: &SeasonPlan, archive: &ArchiveSettings) -> String {
    let units = Units::new(archive, &plan.crop);
    let currency = archive.currency.clone().unwrap_or_default();
    let mut rows =
        vec![["field", "treatment", "treat", "leave", "test", "expected", "basis"].map(str::to_owned).to_vec()];
    let treatments = archive.treatments.iter().filter(|treatment| !treatment.check);
    for treatment in treatments {
        let of = |field: &PlannedField| {
            let own = field.zones.iter().filter(|zone| zone.advice.treatment == treatment.key);
            let (mut areas, mut money) = ([0.0; 3], 0.0);
            for zone in own {
                areas[zone.decision as usize] += zone.area_m2;
                money += expected_money(plan, zone).unwrap_or(0.0);
            }
            (areas, money)
        };
        let line = |name: String, (areas, money): ([f64; 3], f64), basis: &str| {
            let area = |at: usize| format!("{:.1} {}", units.area(areas[at]), units.area_unit);
            vec![
                name,
                treatment.label.clone(),
                area(0),
                area(1),
                area(2),
                format!("{money:+.0} {currency}"),
                basis.to_owned(),
            ]
        };
        let (mut total, mut sum) = ([0.0; 3], 0.0);
        for field in &plan.fields {
            let (areas, money) = of(field);
            total.iter_mut().zip(areas).for_each(|(total, area)| *total += area);
            sum += money;
            rows.push(line(format!("{} · {}", field.farm, field.field), (areas, money), basis(field)));
        }
        rows.push(line("all fields".to_owned(), (total, sum), ""));
    }
    let mut text = aligned(&rows);
    text.push_str(&zones_worth(plan, archive, &units));
    text.push_str(&strips_worth(plan, archive));
    for treatment in archive.treatments.iter().filter(|treatment| !treatment.check) {
        let area = |why: Why| {
            let zones = plan.fields.iter().flat_map(|field| &field.zones);
            let of_kind = zones.filter(|zone| zone.advice.treatment == treatment.key && zone.why == why);
            of_kind.map(|zone| zone.area_m2).sum::<f64>()
        };
        let (bridged, short) = (area(Why::Bridged), area(Why::TooShort));
        if bridged + short > 0.0 {
            let printed = |area: f64| format!("{:.1} {}", units.area(area), units.area_unit);
            let _ = writeln!(
                text,
                "{}: of the ground to treat {} is bridged: less than {} sure, in stretches too short to switch off for; of the \
                 ground to leave {} would pay and is too short to switch on for.",
                treatment.label,
                printed(bridged),
                level(archive.target.sure),
                printed(short),
            );
        }
    }
    if let Some(record) = &plan.record {
        let _ = writeln!(text, "{}", promises::sentence(record, archive));
    }
    for (field, reason) in &plan.left_out {
        let _ = writeln!(text, "left out: {field}: {reason}");
    }
    text.push_str(&strips::as_text(plan, archive));
    text.push_str(&prescription::as_text(plan, archive));
    text.push_str(FIRST);
    text.push('\n');
    text
}
