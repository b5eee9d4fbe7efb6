//! Prototype.
#![allow(clippy::unwrap_used, clippy::print_stdout, missing_docs, reason = "bench")]

#[path = "../tests/support/site_years.rs"]
mod site_years;

use bandlift::synthesise;
use site_years::{Draw, KG_HA, World};
use std::time::Instant;

fn main() {
    let settings = site_years::settings();
    let runs: usize = std::env::args().filter_map(|a| a.parse().ok()).next().unwrap_or(200);
    for (name, world) in [
        ("default", World::default()),
        ("tau 0", World { site_year: 0.0, site_class: 0.0, wetness_slope: 0.0, interaction: 0.0, ..World::default() }),
        ("noisy fields", World { noise_ratio: 2.5, ..World::default() }),
        ("big tau", World { site_year: 8.0, site_class: 3.0, ..World::default() }),
        ("season", World { season: 3.0, ..World::default() }),
    ] {
        for count in [3, 5, 15, 60] {
            let (mut n, mut cover, mut bias, mut width, mut pn, mut pcover, mut se2, mut scover, mut serr, mut merr) =
                (0, 0, 0.0, 0.0, 0, 0, 0.0, 0, 0.0, 0.0);
            let runs = if count == 60 { runs / 4 } else { runs };
            let begun = Instant::now();
            for seed in 0..runs {
                let mut draw = Draw::new(seed as u64);
                let (site_years, _) = draw.archive(&world, count, &settings);
                let synthesis = synthesise::run(&site_years, &settings);
                let season_mm = world.departure_mm.0 * draw.normal();
                let season_effect = world.season * draw.normal();
                let fresh = draw.truth(&world, (season_mm, season_effect));
                for zone in &synthesis.zones {
                    let (Some(class), None) = (zone.class, zone.wetness) else { continue };
                    let Some(low) = zone.estimate.low else { continue };
                    if zone.site_years < 3 {
                        continue;
                    }
                    let truth = world.mean_of(class) * KG_HA;
                    n += 1;
                    cover += i32::from(low <= truth && truth <= zone.estimate.high.unwrap());
                    bias += zone.estimate.mean.unwrap() - truth;
                    merr += (zone.estimate.mean.unwrap() - truth).powi(2);
                    width += zone.estimate.high.unwrap() - low;
                    se2 += zone.tau.unwrap();
                    if let Some((l, h)) = zone.prediction {
                        pn += 1;
                        pcover += i32::from(l <= fresh.response[class] * KG_HA && fresh.response[class] * KG_HA <= h);
                    }
                    if let Some(s) = &zone.shrunken {
                        scover += i32::from(s.low <= truth && truth <= s.high);
                        serr += (s.mean - truth).powi(2);
                    }
                }
            }
            let f = |x: i32| f64::from(x) / f64::from(n);
            println!(
                "{name:14} S={count:3} n={n:5} bias {:6.3} rmse {:6.3} cover {:.3} width {:6.2} tau {:5.2} (true {:.2}) | PI {:.3} | shrunk cover {:.3} rmse {:.3} | {:.1} ms",
                bias / f64::from(n) / KG_HA,
                (merr / f64::from(n)).sqrt() / KG_HA,
                f(cover),
                width / f64::from(n) / KG_HA,
                se2 / f64::from(n) / KG_HA,
                world.between(1),
                f64::from(pcover) / f64::from(pn.max(1)),
                f(scover),
                (serr / f64::from(n)).sqrt() / KG_HA,
                begun.elapsed().as_secs_f64() * 1e3 / runs as f64
            );
        }
    }
}
