//! The table price × cost: identities of the partial budget and of the expected losses.

use bandlift::batch::conclude;
use bandlift::results::{Conclusions, Worth};
use bandlift::stats::distribution::expected_loss;

use crate::site_years::{Draw, KG_HA, World, settings};
use crate::support::{Tol, close};

fn drawn() -> Conclusions {
    let world = World { segment_model: Some((0.55, 12.0)), ..World::default() };
    conclude(&Draw::new(21).archive(&world, 12, &settings()).0, &settings())
}

fn whole(rows: &[Worth]) -> Vec<&Worth> {
    rows.iter().filter(|row| row.class.is_none()).collect()
}

#[test]
fn the_middle_of_the_table_is_what_the_zones_say() {
    let conclusions = drawn();
    let rows = whole(&conclusions.worth);
    assert_eq!(rows.len(), 25);
    let configured: Vec<_> = rows.iter().filter(|row| row.is_configured).collect();
    assert_eq!(configured.len(), 1);
    let zone = conclusions.synthesis.zones.iter().find(|zone| zone.class.is_none() && zone.wetness.is_none()).unwrap();
    let row = configured[0];
    close("break-even", row.break_even, zone.returns.break_even.unwrap(), Tol::rel(1e-12));
    close("net return", row.net_return, zone.returns.net_return.unwrap(), Tol::rel(1e-9));
    assert_eq!(row.probability_pays, zone.returns.probability_pays);
    assert_eq!(row.probability_new_site_pays, zone.probability_new_site_pays);
    // 16 USD/ac at 4.20 USD/bu
    close("break-even, bu/ac", row.break_even / KG_HA, 16.0 / 4.20, Tol::abs(1e-9));
}

#[test]
fn losses_differ_by_the_net_return_and_information_is_worth_no_more_than_certainty() {
    for row in &drawn().worth {
        let (treating, leaving) = (row.loss_of_treating.unwrap(), row.loss_of_leaving.unwrap());
        close("difference", leaving - treating, row.net_return, Tol { abs: 1e-9, rel: 1e-9 });
        assert!(treating >= 0.0 && leaving >= -1e-9);
        let another = row.value_of_another_year.unwrap();
        assert!(another >= 0.0 && another <= treating.min(leaving) + 1e-9);
        // what one field risks is more than what the average risks
        let of_one_field = row.loss_of_treating_new_site.unwrap();
        assert!(of_one_field >= 0.0 && (!(row.is_configured && row.class.is_none()) || of_one_field > treating));
    }
}

#[test]
fn a_dearer_treatment_and_cheaper_grain_pay_less() {
    let conclusions = drawn();
    let rows = whole(&conclusions.worth);
    for pair in rows.chunks(5).flat_map(|of_price| of_price.windows(2)) {
        assert!(pair[0].cost_per_ha < pair[1].cost_per_ha && pair[0].net_return > pair[1].net_return);
        assert!(pair[0].probability_pays.unwrap() >= pair[1].probability_pays.unwrap());
    }
    for (cheap, dear) in rows.iter().zip(&rows[5..]) {
        assert!(cheap.price_per_kg < dear.price_per_kg && cheap.break_even > dear.break_even);
    }
    // at its break-even price the mean response just pays
    let row = rows[12];
    let mean = (row.net_return + row.cost_per_ha) / row.price_per_kg;
    close("price", row.break_even_price_per_kg.unwrap() * mean, row.cost_per_ha, Tol::rel(1e-9));
}

/// Worked examples, checked by Monte Carlo: five degrees of freedom, net 4, spread 8: loss 2.1665; eleven, 10, 6: 0.2161.
/// The value of another year follows by the same formula at the spread that the year can move.
#[test]
fn the_value_of_another_year_is_the_loss_at_the_spread_that_it_moves() {
    close("loss", expected_loss(4.0, 8.0, 5.0).unwrap(), 2.1665, Tol::abs(5e-5));
    close("loss", expected_loss(10.0, 6.0, 11.0).unwrap(), 0.2161, Tol::abs(5e-5));
    let conclusions = drawn();
    let row = whole(&conclusions.worth)[12];
    let zone = conclusions.synthesis.zones.iter().find(|zone| zone.class.is_none() && zone.wetness.is_none()).unwrap();
    // twelve site-years of eight seasons: 1.5 more among 13.5
    let spread = row.price_per_kg * zone.estimate.std_error.unwrap() * (1.5_f64 / 13.5).sqrt();
    let expected = expected_loss(row.net_return.abs(), spread, zone.estimate.df.unwrap()).unwrap();
    close("value", row.value_of_another_year.unwrap(), expected, Tol::rel(1e-9));
}
