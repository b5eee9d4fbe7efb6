//! `[[covariate]]`: other layers of the ground, by the readers of the harvest's files and of grids.

use std::collections::BTreeSet;
use std::sync::{Arc, PoisonError};

use geo::BoundingRect;

use super::assemble::Extent;
use super::layers::{InputFile, SharedLayers, projected, reference_system};
use super::readers::{self, Format, Shapes, Table, Wanted};
use super::{IngestError, SiteYearFiles, terrain};
use crate::config::{ArchiveSettings, CovariateSettings, FieldSettings, FieldValue};
use crate::geometry::{Crs, Projector};
use crate::points::{Caution, Cautions, Covariate, CovariateGround, CovariateKind};
use crate::raster::is_grid;

/// The layers of one covariate.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CovariateFiles {
    /// Whether they are the archive's, for all fields.
    pub of_archive: bool,
    /// Sorted by name; none where one value holds for the whole field.
    pub files: Vec<InputFile>,
}

/// Reads the covariates of a site-year.
pub(super) fn covariates(
    files: &SiteYearFiles,
    field: &FieldSettings,
    archive: &ArchiveSettings,
    shared: &SharedLayers,
    (utm, extent): (&Crs, Extent),
    cautions: &mut Cautions,
) -> Result<Vec<Covariate>, IngestError> {
    let mut all = Vec::new();
    for (settings, files) in field.covariates.iter().zip(&files.covariates) {
        let reader = Reader { settings, shared, most_unpacked_bytes: archive.read.most_unpacked_bytes, utm, extent };
        let of_archive = |fault: IngestError| if settings.of_archive { fault.of_archive("covariate") } else { fault };
        all.push(reader.read(&files.files, cautions).map_err(of_archive)?);
    }
    Ok(all)
}

/// One value of a layer, before classes are numbered.
#[derive(Debug, Clone, PartialEq)]
enum Value {
    Number(f64),
    Class(String),
}

struct Reader<'r> {
    settings: &'r CovariateSettings,
    shared: &'r SharedLayers,
    most_unpacked_bytes: u64,
    utm: &'r Crs,
    extent: Extent,
}

impl Reader<'_> {
    fn covariate(&self, classes: Vec<String>, ground: CovariateGround) -> Covariate {
        Covariate {
            name: self.settings.name.clone(),
            kind: self.settings.kind,
            unit: self.settings.unit.clone(),
            classes,
            respond: self.settings.respond,
            ground,
        }
    }

    fn read(&self, files: &[InputFile], cautions: &mut Cautions) -> Result<Covariate, IngestError> {
        let name = &self.settings.name;
        if let Some(value) = &self.settings.value {
            let (classes, value) = match value {
                FieldValue::Number(number) => (Vec::new(), Some(*number)),
                FieldValue::Class(class) => (vec![class.clone()], Some(0.0)),
                FieldValue::Planted(day) => (Vec::new(), *day),
            };
            if value.is_none() {
                cautions.add(Caution::CovariateIncomplete, format!("{name}: field.toml has no `planted`"));
            }
            return Ok(self.covariate(classes, CovariateGround::Field(value)));
        }
        let grids = files.iter().filter(|file| is_grid(&file.path)).count();
        if grids > 0 && (grids < files.len() || grids > 1) {
            let reason = format!("covariate `{name}`: {} files; expected one grid, or tables and layers", files.len());
            return Err(IngestError::Contradiction(reason));
        }
        let found = match files.first() {
            Some(file) if grids == 1 => self.grid(file)?,
            _ => self.layers(files, cautions)?,
        };
        let Some(found) = found else {
            let reason = format!("covariate `{name}` does not reach the field");
            if self.settings.of_archive {
                cautions.add(Caution::CovariateIncomplete, format!("{name}: does not reach the field"));
                return Ok(self.covariate(Vec::new(), CovariateGround::Field(None)));
            }
            let file = files.first().map(|file| file.name.clone()).unwrap_or_default();
            return Err(IngestError::Place { file, reason });
        };
        Ok(found)
    }

    fn grid(&self, file: &InputFile) -> Result<Option<Covariate>, IngestError> {
        if let Some(column) = &self.settings.column {
            let reason = format!("{}: is a grid, which has no column `{column}`; leave `column` out", file.name);
            return Err(IngestError::Contradiction(reason));
        }
        let Some(surface) = terrain::surface(file, self.extent, self.utm)? else { return Ok(None) };
        let mut raster = surface.raster;
        if !raster.data.iter().any(|value| value.is_finite()) {
            return Ok(None);
        }
        let mut classes = Vec::new();
        if self.settings.kind == CovariateKind::Class {
            let known = raster.data.iter().filter(|value| value.is_finite());
            if let Some(broken) = known.clone().find(|value| value.fract().abs() > 0.0) {
                return Err(IngestError::Contradiction(format!(
                    "{}: holds {broken}; a grid of classes holds whole numbers, or write kind = \"number\"",
                    file.name
                )));
            }
            let codes: BTreeSet<i64> = known.map(|value| *value as i64).collect();
            let codes: Vec<i64> = codes.into_iter().collect();
            let place = |value: f64| codes.binary_search(&(value as i64)).map_or(f64::NAN, |at| at as f64);
            raster.data.mapv_inplace(|value| if value.is_finite() { place(value) } else { f64::NAN });
            classes = codes.iter().map(ToString::to_string).collect();
        }
        Ok(Some(self.covariate(classes, CovariateGround::Grid(raster))))
    }

    /// Points, or polygons; those that lie near the field.
    fn layers(&self, files: &[InputFile], cautions: &mut Cautions) -> Result<Option<Covariate>, IngestError> {
        let (mut x_m, mut y_m, mut of_points) = (Vec::new(), Vec::new(), Vec::new());
        let (mut grounds, mut of_polygons) = (Vec::new(), Vec::new());
        let reach = self.settings.reach_m;
        let [west, south, east, north] = self.extent;
        let (west, south, east, north) = (west - reach, south - reach, east + reach, north + reach);
        for file in files {
            let table = self.table(file)?;
            let crs = reference_system(&file.name, table.crs.as_ref(), self.settings.crs.as_deref(), "")?;
            let fault = |error: crate::geometry::CrsError| IngestError::crs(&file.name, error);
            if table.polygons.is_empty() {
                let (mut x, mut y) = table.positions_by(&self.settings.position).unwrap_or_default();
                Projector::new(&crs, self.utm).and_then(|to| to.convert(&mut x, &mut y)).map_err(fault)?;
                for row in 0..table.rows {
                    let is_near = (west..=east).contains(&x[row]) && (south..=north).contains(&y[row]);
                    if let (true, Some(value)) = (is_near, self.value(&table, row)) {
                        x_m.push(x[row]);
                        y_m.push(y[row]);
                        of_points.push(value);
                    }
                }
                continue;
            }
            let back = Projector::new(self.utm, &crs).map_err(fault)?;
            let (mut xs, mut ys) = ([west, west, east, east], [south, north, south, north]);
            back.convert(&mut xs, &mut ys).map_err(fault)?;
            let least = |values: [f64; 4]| values.into_iter().fold(f64::INFINITY, f64::min);
            let most = |values: [f64; 4]| values.into_iter().fold(f64::NEG_INFINITY, f64::max);
            for row in 0..table.rows {
                let Some(rect) = table.polygons[row].bounding_rect() else { continue };
                let is_near = rect.min().x <= most(xs)
                    && rect.max().x >= least(xs)
                    && rect.min().y <= most(ys)
                    && rect.max().y >= least(ys);
                if let (true, Some(value)) = (is_near, self.value(&table, row)) {
                    grounds.push(projected(&file.name, &crs, row, &table.polygons[row], self.utm, cautions)?);
                    of_polygons.push(value);
                }
            }
        }
        if !of_points.is_empty() && !of_polygons.is_empty() {
            let reason = format!("covariate `{}`: some files hold points and some polygons", self.settings.name);
            return Err(IngestError::Contradiction(reason));
        }
        if of_points.is_empty() && of_polygons.is_empty() {
            return Ok(None);
        }
        let all = of_points.iter().chain(&of_polygons);
        let classes: BTreeSet<String> = all
            .filter_map(|value| match value {
                Value::Class(name) => Some(name.clone()),
                Value::Number(_) => None,
            })
            .collect();
        let classes: Vec<String> = classes.into_iter().collect();
        let numbered = |values: Vec<Value>| -> Vec<f64> {
            let one = |value| match value {
                Value::Number(number) => number,
                Value::Class(name) => classes.binary_search(&name).map_or(f64::NAN, |at| at as f64),
            };
            values.into_iter().map(one).collect()
        };
        let ground = if of_polygons.is_empty() {
            let is_mean = self.settings.points_mean;
            CovariateGround::Points { x_m, y_m, values: numbered(of_points), reach_m: reach, is_mean }
        } else {
            CovariateGround::Polygons { grounds, values: numbered(of_polygons) }
        };
        Ok(Some(self.covariate(classes, ground)))
    }

    /// The value of a row; `None` where its cell is empty.
    fn value(&self, table: &Table, row: usize) -> Option<Value> {
        let column = self.settings.column.as_ref()?;
        match self.settings.kind {
            CovariateKind::Number => Some(table.numbers[column][row]).filter(|one| one.is_finite()).map(Value::Number),
            CovariateKind::Class => table.texts[column].get(row).map(|text| Value::Class(text.trim().to_owned())),
        }
    }

    /// A table of points or polygons; one for all fields is read once.
    fn table(&self, file: &InputFile) -> Result<Arc<Table>, IngestError> {
        let key = (file.name.clone(), self.settings.name.clone());
        let known = || self.shared.covariates.lock().unwrap_or_else(PoisonError::into_inner);
        if self.settings.of_archive
            && let Some(table) = known().get(&key)
        {
            return Ok(Arc::clone(table));
        }
        let table = Arc::new(self.read_table(file)?);
        if self.settings.of_archive {
            known().insert(key, Arc::clone(&table));
        }
        Ok(table)
    }

    fn read_table(&self, file: &InputFile) -> Result<Table, IngestError> {
        let contradiction = |reason: &str| {
            IngestError::Contradiction(format!("covariate `{}`: {}: {reason}", self.settings.name, file.name))
        };
        let Some(column) = self.settings.column.clone() else {
            return Err(contradiction("is not a grid; `column` must say where the values stand"));
        };
        let by_columns = self.settings.position.names();
        let has_geometry = Format::of(&file.path).is_some_and(Format::has_geometry);
        if !has_geometry && by_columns.is_none() {
            return Err(contradiction("holds no geometry; map longitude and latitude, or easting and northing"));
        }
        let is_class = self.settings.kind == CovariateKind::Class;
        let read = |shapes: Shapes| {
            let mut wanted = Wanted { shapes, most_unpacked_bytes: self.most_unpacked_bytes, ..Wanted::default() };
            wanted.numbers.extend(by_columns.into_iter().flatten().cloned());
            if is_class { &mut wanted.texts } else { &mut wanted.numbers }.push(column.clone());
            readers::read(&file.name, &file.path, &wanted)
        };
        let table = if by_columns.is_some() {
            read(Shapes::Ignored)?
        } else {
            match read(Shapes::Points) {
                Ok(table) => table,
                Err(fault @ (IngestError::MissingColumn { .. } | IngestError::Cell { .. })) => return Err(fault),
                Err(_) => read(Shapes::Polygons)?,
            }
        };
        if table.rows == 0 {
            return Err(IngestError::Empty { file: file.name.clone(), what: "rows" });
        }
        Ok(table)
    }
}
