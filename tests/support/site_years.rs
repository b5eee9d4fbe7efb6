//! Site-years drawn from a model of variance components with known means, as the fit would deliver them; no raw records.

#![allow(dead_code, reason = "each program uses a part")]

use std::collections::BTreeMap;

use bandlift::config::ArchiveSettings;
use bandlift::points::{Caution, Cautions, CleaningFacts, Design};
use bandlift::results::{
    BlockDifference, Counts, Estimate, Response, ResponseKey, Returns, SiteYear, SiteYearIdentity,
};
use bandlift::stats::distribution::StudentT;
use bandlift::stats::linear::paired_t;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Kilograms per hectare in one bushel of corn per acre.
pub const KG_HA: f64 = 62.767_664_746_889_54;

/// What is true of an archive; yields in bu/ac, departures in mm.
#[derive(Debug, Clone)]
pub struct World {
    /// Mean response of each class in a normal season, dry to wet.
    pub class_means: Vec<f64>,
    /// Change for 100 mm of departure.
    pub wetness_slope: f64,
    /// Further change for 100 mm of departure and one class.
    pub interaction: f64,
    /// Standard deviation between site-years.
    pub site_year: f64,
    /// Of the classes of a site-year.
    pub site_class: f64,
    /// Of the slope over classes between site-years.
    pub site_slope: f64,
    /// Of a season, shared by its site-years.
    pub season: f64,
    /// Of a field, shared by its site-years, and how many fields there are (0: each site-year is of its own).
    pub field: f64,
    pub fields: usize,
    /// Between blocks.
    pub block: f64,
    /// Of one segment.
    pub segment: f64,
    /// Fields differ in their noise by this factor either way (1: all alike).
    pub noise_ratio: f64,
    /// Blocks a site-year, least and most.
    pub blocks: (usize, usize),
    /// Chance that a class occurs in a field.
    pub presence: f64,
    /// Seasons over which the site-years are spread.
    pub seasons: usize,
    /// Where the estimates come from a model of all segments: their error variance as a share of that of the mean of the block
    /// differences, and the degrees of freedom of their standard error. Without it they are paired t over blocks.
    pub segment_model: Option<(f64, f64)>,
    /// Standard deviation of the departures, mm: between seasons, and between the farms of one season.
    pub departure_mm: (f64, f64),
}

impl Default for World {
    fn default() -> Self {
        Self {
            class_means: vec![1.0, 3.0, 6.0],
            wetness_slope: 3.0,
            interaction: 2.0,
            site_year: 3.0,
            site_class: 1.5,
            site_slope: 0.0,
            season: 0.0,
            field: 0.0,
            fields: 0,
            block: 4.0,
            segment: 10.0,
            noise_ratio: 1.0,
            blocks: (4, 6),
            presence: 0.85,
            seasons: 8,
            segment_model: None,
            departure_mm: (40.0, 15.0),
        }
    }
}

impl World {
    /// A world in which the treatment does nothing anywhere.
    pub fn null() -> Self {
        Self { class_means: vec![0.0; 3], wetness_slope: 0.0, interaction: 0.0, ..Self::default() }
    }

    fn middle(&self) -> f64 {
        (self.class_means.len() - 1) as f64 / 2.0
    }

    /// The mean response of a class over site-years of one departure.
    pub fn mean_at(&self, class: usize, wetness_mm: f64) -> f64 {
        self.class_means[class]
            + (self.wetness_slope + self.interaction * (class as f64 - self.middle())) * wetness_mm / 100.0
    }

    /// The mean response of a class over all site-years: departures have mean 0.
    pub fn mean_of(&self, class: usize) -> f64 {
        self.class_means[class]
    }

    /// Standard deviation of a class's response between site-years of all seasons.
    pub fn between(&self, class: usize) -> f64 {
        let rank = class as f64 - self.middle();
        let slope = (self.wetness_slope + self.interaction * rank) / 100.0;
        (self.site_year.powi(2)
            + self.site_class.powi(2)
            + (self.site_slope * rank).powi(2)
            + self.season.powi(2)
            + slope * slope * (self.departure_mm.0.powi(2) + self.departure_mm.1.powi(2)))
        .sqrt()
    }

    /// Standard deviation of a class's response between site-years of one departure.
    pub fn between_at_one_departure(&self, class: usize) -> f64 {
        let rank = class as f64 - self.middle();
        (self.site_year.powi(2) + self.site_class.powi(2) + (self.site_slope * rank).powi(2) + self.season.powi(2))
            .sqrt()
    }
}

/// What is true of one drawn site-year, bu/ac.
#[derive(Debug, Clone)]
pub struct Truth {
    pub wetness_mm: f64,
    /// By class.
    pub response: Vec<f64>,
}

/// Draws from a world.
pub struct Draw {
    random: ChaCha8Rng,
}

impl Draw {
    pub fn new(seed: u64) -> Self {
        Self { random: ChaCha8Rng::seed_from_u64(seed) }
    }

    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.random)
    }

    pub fn uniform(&mut self) -> f64 {
        self.random.random()
    }

    fn between(&mut self, (least, most): (usize, usize)) -> usize {
        self.random.random_range(least..=most)
    }

    /// An archive of site-years and what is true of each.
    pub fn archive(
        &mut self,
        world: &World,
        site_years: usize,
        settings: &ArchiveSettings,
    ) -> (Vec<SiteYear>, Vec<Truth>) {
        let seasons = world.seasons.min(site_years).max(1);
        let season: Vec<(f64, f64)> =
            (0..seasons).map(|_| (world.departure_mm.0 * self.normal(), world.season * self.normal())).collect();
        let field: Vec<f64> = (0..world.fields).map(|_| world.field * self.normal()).collect();
        (0..site_years)
            .map(|at| {
                // where fields come again, all of them stand in a season before the next begins
                let (season_at, field_at) = match at.checked_div(world.fields) {
                    Some(round) => (round % seasons, at % world.fields),
                    None => (at % seasons, at),
                };
                let (mm, effect) = season[season_at];
                let effect = effect + field.get(field_at).copied().unwrap_or(0.0);
                self.site_year(world, field_at, (mm, effect), season_at, settings)
            })
            .unzip()
    }

    /// Puts estimates with errors of a known variance in the place of the paired t. One draw of the variance's own error holds
    /// for the site-year.
    #[expect(clippy::too_many_arguments, reason = "a simulator's inside")]
    fn refine(
        &mut self,
        world: &World,
        (efficiency, df): (f64, f64),
        noise: f64,
        truth: &Truth,
        differences: &[BlockDifference],
        responses: &mut [Response],
        settings: &ArchiveSettings,
    ) {
        let square: f64 = (0..df as usize).map(|_| self.normal().powi(2)).sum();
        let luck = (square / df).sqrt();
        for response in responses {
            let own: Vec<&BlockDifference> =
                differences.iter().filter(|one| one.key.class == response.key.class).collect();
            let blocks = own.len() as f64;
            // the variance of a block's difference: shared by its classes, and of its segments
            let variance = own
                .iter()
                .map(|one| (noise * world.block).powi(2) + (noise * world.segment).powi(2) / one.segments as f64)
                .sum::<f64>()
                / (blocks * blocks);
            let true_of = |block: &BlockDifference| -> f64 {
                match block.key.class {
                    Some(class) => truth.response[class],
                    None => {
                        let parts =
                            differences.iter().filter(|one| one.block == block.block && one.key.class.is_some());
                        let (mut sum, mut segments) = (0.0, 0.0);
                        for part in parts {
                            sum += part.segments as f64 * truth.response[part.key.class.unwrap()];
                            segments += part.segments as f64;
                        }
                        sum / segments
                    }
                }
            };
            let expected = own.iter().map(|one| true_of(one)).sum::<f64>() / blocks;
            let error = own.iter().map(|one| one.difference / KG_HA - true_of(one)).sum::<f64>() / blocks;
            let mean = (expected + efficiency.sqrt() * error) * KG_HA;
            let std_error = (efficiency * variance).sqrt() * luck * KG_HA;
            response.estimate = Estimate::of_t(mean, std_error, df, settings.model.confidence).unwrap();
            response.treated_yield = response.check_yield.map(|check| check + mean);
        }
    }

    /// The true response of a new site-year, bu/ac by class, and its departure.
    pub fn truth(&mut self, world: &World, (season_mm, season_effect): (f64, f64)) -> Truth {
        let wetness_mm = season_mm + world.departure_mm.1 * self.normal();
        let (site, slope) = (world.site_year * self.normal(), world.site_slope * self.normal());
        let response = (0..world.class_means.len())
            .map(|class| {
                world.mean_at(class, wetness_mm)
                    + site
                    + season_effect
                    + slope * (class as f64 - world.middle())
                    + world.site_class * self.normal()
            })
            .collect();
        Truth { wetness_mm, response }
    }

    fn site_year(
        &mut self,
        world: &World,
        at: usize,
        season: (f64, f64),
        season_at: usize,
        settings: &ArchiveSettings,
    ) -> (SiteYear, Truth) {
        let truth = self.truth(world, season);
        let classes = world.class_means.len();
        let noise = world.noise_ratio.powf(2.0 * self.uniform() - 1.0);
        let blocks = self.between(world.blocks);
        let mut present: Vec<usize> = (0..classes).filter(|_| self.uniform() < world.presence).collect();
        if present.is_empty() {
            present.push(self.between((0, classes - 1)));
        }
        let mut differences = Vec::new();
        for block in 0..blocks {
            let shared = noise * world.block * self.normal();
            let (mut sum, mut segments) = (0.0, 0);
            for &class in &present {
                let count = self.between((3, 12));
                let own = noise * world.segment / (count as f64).sqrt() * self.normal();
                let difference = truth.response[class] + shared + own;
                sum += difference * count as f64;
                segments += count;
                differences.push(difference_of(block, Some(class), difference, count));
            }
            differences.push(difference_of(block, None, sum / segments as f64, segments));
        }
        let mut responses: Vec<Response> = present
            .iter()
            .map(|&class| Some(class))
            .chain([None])
            .map(|class| response_of(class, &differences, settings))
            .collect();
        if let Some(model) = world.segment_model {
            self.refine(world, model, noise, &truth, &differences, &mut responses, settings);
        }
        let wetness = settings.wetness.as_ref();
        let site_year = SiteYear {
            identity: SiteYearIdentity {
                season: 2000 + i32::try_from(season_at).unwrap(),
                farm: format!("Farm {}", at % 4),
                field: format!("Field {at:03}"),
                crop: "corn".to_owned(),
            },
            folder: format!("{}/{at}", 2000 + season_at),
            place_deg: (-94.0, 42.0),
            last_day: None,
            epsg: 32_615,
            wetness_mm: Some(truth.wetness_mm),
            wetness_class: wetness.map(|settings| settings.class(truth.wetness_mm).to_owned()),
            counts: Counts::default(),
            removal_by_treatment: Vec::new(),
            cleaning: CleaningFacts::default(),
            design: Some(Design::default()),
            class_area_m2: (0..classes).map(|class| if present.contains(&class) { 1e5 } else { 0.0 }).collect(),
            soil_zone: Vec::new(),
            responses,
            differences,
            variance: BTreeMap::new(),
            supplement: bandlift::results::Supplement::default(),
            local: Vec::new(),
            field_model: None,
            sensitivity: Vec::new(),
            observed: Vec::new(),
            covariates: Vec::new(),
            cautions: Cautions::default(),
        };
        (site_year, truth)
    }
}

/// An archive in which every field stands in every season, by its site-years' whole-field estimates alone; bu/ac.
#[derive(Debug, Clone, Copy)]
pub struct Layout {
    pub farms: usize,
    /// Fields in all, dealt to the farms in turn.
    pub fields: usize,
    pub seasons: usize,
    /// Standard deviations: between farms, fields, seasons, and of all else that makes a site-year.
    pub farm: f64,
    pub field: f64,
    pub season: f64,
    pub rest: f64,
    /// Known standard error of a site-year's estimate.
    pub std_error: f64,
}

/// What is true beyond the mean of 0, bu/ac.
#[derive(Debug, Clone, Copy)]
pub struct Beyond {
    /// The first field's own mean.
    pub first_field: f64,
    /// The first field in a new season.
    pub first_field_next: f64,
    /// A new field of a new farm (of the only one, where there is one) in a new season.
    pub new_field_next: f64,
}

impl Draw {
    /// Draws a layout whose long-run mean is 0, at a yield of 180 bu/ac.
    pub fn layout(&mut self, layout: &Layout, settings: &ArchiveSettings) -> (Vec<SiteYear>, Beyond) {
        let template = self.archive(&World { blocks: (4, 4), seasons: 1, ..World::default() }, 1, settings).0.remove(0);
        let several = f64::from(u8::from(layout.farms > 1));
        let farms: Vec<f64> = (0..layout.farms).map(|_| several * layout.farm * self.normal()).collect();
        let fields: Vec<f64> =
            (0..layout.fields).map(|at| farms[at % layout.farms] + layout.field * self.normal()).collect();
        let mut site_years = Vec::new();
        for season in 0..layout.seasons {
            let of_season = layout.season * self.normal();
            for (at, field) in fields.iter().enumerate() {
                let mean = field + of_season + layout.rest * self.normal() + layout.std_error * self.normal();
                let mut one = template.clone();
                one.identity.season = 2000 + i32::try_from(season).unwrap();
                one.identity.farm = format!("Farm {}", at % layout.farms);
                one.identity.field = format!("Field {at:03}");
                one.folder = format!("{season}/{at}");
                one.differences.clear();
                one.responses.retain(|response| response.key.class.is_none());
                let response = &mut one.responses[0];
                response.check_yield = Some(180.0 * KG_HA);
                // so many degrees of freedom that the variance is as good as known
                response.estimate =
                    Estimate::of_t(mean * KG_HA, layout.std_error * KG_HA, 1e12, settings.model.confidence).unwrap();
                site_years.push(one);
            }
        }
        let mut next = |mean: f64| mean + layout.season * self.normal() + layout.rest * self.normal();
        let first_field_next = next(fields[0]);
        let new_field_next = next(0.0) + layout.field * self.normal() + several * layout.farm * self.normal();
        (site_years, Beyond { first_field: fields[0], first_field_next, new_field_next })
    }
}

impl Layout {
    /// Standard error of the mean that generalised least squares has with known variances: all fields in all seasons, the farms
    /// of one size.
    pub fn best_std_error(&self) -> f64 {
        let several = f64::from(u8::from(self.farms > 1));
        let per = |sd: f64, count: usize| sd * sd / count as f64;
        (several * per(self.farm, self.farms)
            + per(self.field, self.fields)
            + per(self.season, self.seasons)
            + (self.rest * self.rest + self.std_error * self.std_error) / (self.fields * self.seasons) as f64)
            .sqrt()
    }
}

fn difference_of(block: usize, class: Option<usize>, difference: f64, segments: usize) -> BlockDifference {
    BlockDifference {
        block: format!("{}", block + 1),
        key: ResponseKey { treatment: "band".to_owned(), class },
        difference: difference * KG_HA,
        check_yield: 190.0 * KG_HA,
        segments,
        area_m2: segments as f64 * 180.0,
    }
}

/// Takes the standard errors away, so that only block differences tell of the spread within.
pub fn without_errors(mut site_years: Vec<SiteYear>) -> Vec<SiteYear> {
    for response in site_years.iter_mut().flat_map(|one| &mut one.responses) {
        response.estimate = Estimate { mean: response.estimate.mean, ..Estimate::default() };
    }
    site_years
}

/// The paired comparison over blocks.
fn response_of(class: Option<usize>, differences: &[BlockDifference], settings: &ArchiveSettings) -> Response {
    let own: Vec<&BlockDifference> = differences.iter().filter(|one| one.key.class == class).collect();
    let values: Vec<f64> = own.iter().map(|one| one.difference).collect();
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let mut cautions = Cautions::default();
    let mut estimate = Estimate { mean: Some(mean), ..Estimate::default() };
    match values.len() {
        1 => cautions.add(Caution::Unreplicated, ""),
        2 | 3 => cautions.add(Caution::FewBlocks, ""),
        _ => {}
    }
    if let Ok(test) = paired_t(&values) {
        let interval = test.interval(settings.model.confidence).unwrap();
        estimate = Estimate {
            mean: Some(mean),
            std_error: Some(test.se),
            df: Some(test.df),
            low: Some(interval.lower),
            high: Some(interval.upper),
            p_value: Some(test.p),
            p_randomization: None,
            probability_positive: Some(StudentT::new(test.df).unwrap().cdf(test.t)),
        };
    }
    Response {
        key: ResponseKey { treatment: "band".to_owned(), class },
        class_name: class.map_or_else(|| "all".to_owned(), |class| settings.soil.zones[class].clone()),
        blocks: own.len(),
        strips: own.len(),
        segments: own.iter().map(|one| one.segments).sum(),
        area_m2: own.iter().map(|one| one.area_m2).sum(),
        check_yield: Some(190.0 * KG_HA),
        treated_yield: Some(190.0 * KG_HA + mean),
        check_moisture_pct: Some(18.0),
        treated_moisture_pct: Some(18.0),
        moisture_std_error_pct: None,
        estimate,
        shrunken: None,
        returns: Returns::default(),
        cautions,
    }
}

/// The settings of the drawn archives: three classes, three wetness classes.
pub const SETTINGS: &str = r#"
name = "Drawn"
[soil]
classes = ["dry", "middle", "wet"]
[wetness]
months = [5]
departure = "departure_{season}.tif"
[crops.corn]
price = "4.20 USD/bu"
[treatments.check]
check = true
[treatments.band]
label = "at-planting band"
cost = "16 USD/ac"
"#;

/// The settings read.
pub fn settings() -> ArchiveSettings {
    ArchiveSettings::parse("archive.toml", SETTINGS).unwrap()
}
