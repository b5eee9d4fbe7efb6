//! Every file of a site-year, found and named.

use std::collections::BTreeMap;
use std::path::Path;

use super::covariates::CovariateFiles;
use super::layers::InputFile;
use super::readers;
use super::wetness::SeasonGrids;
use crate::bundle;

/// Every file of a site-year, found and named.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SiteYearFiles {
    /// The harvest files by entry, sorted by name.
    pub harvest: Vec<Vec<InputFile>>,
    /// The boundary layer.
    pub boundary: Option<InputFile>,
    /// The strip layer.
    pub strips: Option<InputFile>,
    /// The soil layers of the archive.
    pub soils: Vec<InputFile>,
    /// The tables of the components of its map units.
    pub soil_components: Vec<InputFile>,
    /// The elevation model of the archive.
    pub dem: Option<InputFile>,
    /// The scale tickets.
    pub tickets: Option<InputFile>,
    /// The precipitation grids of the season.
    pub wetness: Option<SeasonGrids>,
    /// The logs of what was put down, by entry, sorted by name.
    pub applied: Vec<Vec<InputFile>>,
    /// The tables of counts and ratings, by entry, sorted by name.
    pub observed: Vec<Vec<InputFile>>,
    /// The photographs that they name, by table and cell.
    pub photos: BTreeMap<(String, String), InputFile>,
    /// The layers of the covariates, by entry of the resolved settings.
    pub covariates: Vec<CovariateFiles>,
}

impl SiteYearFiles {
    /// The site-year's own files, with the parts of shapefiles, sorted by name.
    pub fn own(&self) -> Vec<InputFile> {
        let single = [&self.boundary, &self.strips, &self.tickets];
        with_parts(
            self.harvest
                .iter()
                .chain(&self.applied)
                .chain(&self.observed)
                .chain(self.covariates.iter().filter(|one| !one.of_archive).map(|one| &one.files))
                .flatten()
                .chain(self.photos.values())
                .chain(single.into_iter().flatten()),
        )
    }

    /// The archive's files that the site-year's result depends on, with the parts of shapefiles, sorted by name.
    pub fn of_archive(&self) -> Vec<InputFile> {
        let layers = self.soils.iter().chain(&self.soil_components).chain(&self.dem);
        let grids = self.wetness.iter().flat_map(|grids| {
            let history = grids.history.iter().flat_map(|(files, _)| files);
            grids.totals.iter().chain(&grids.normals).chain(history)
        });
        let covariates = self.covariates.iter().filter(|one| one.of_archive).flat_map(|one| &one.files);
        with_parts(layers.chain(grids).chain(covariates))
    }

    /// Every file that the site-year's result depends on.
    pub fn all(&self) -> Vec<InputFile> {
        let mut files = self.own();
        files.extend(self.of_archive());
        files
    }
}

fn with_parts<'f>(files: impl Iterator<Item = &'f InputFile>) -> Vec<InputFile> {
    let mut all = Vec::new();
    for file in files {
        // what lies in a .zip or a layer of a GeoPackage changes with the whole
        let (path, member) = bundle::on_disk(&file.path);
        if let Some(member) = member {
            let name = file.name.strip_suffix(&member).unwrap_or(&file.name).trim_end_matches('/').to_owned();
            all.push(InputFile { name, path });
            continue;
        }
        for path in readers::companions(&file.path) {
            let own = path.file_name().map(|found| found.to_string_lossy().into_owned());
            let name = Path::new(&file.name).with_file_name(own.unwrap_or_default());
            all.push(InputFile { name: name.to_string_lossy().into_owned(), path });
        }
        all.push(file.clone());
    }
    all.sort_by(|one, other| one.name.cmp(&other.name));
    all.dedup();
    all
}
