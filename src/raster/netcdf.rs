//! NetCDF, classic and netCDF-4, by the Climate and Forecast conventions (CF-1.11): one variable over latitude and longitude (or y and
//! x), of which one month is taken.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use netcdf_reader::cf::{self, CfAxisType};
use netcdf_reader::{BytesStorage, DynStorage, FileStorage, NcFile, NcGroup, NcSliceInfo, NcSliceInfoElem, NcVariable};

use super::affine::Affine;
use super::error::RasterError;
use super::read::{Ask, Block, Blocks, Described, Month};
use crate::bundle::Bundle;
use crate::geometry::Crs;

/// Part of a cell by which coordinates may stand off from equal steps: they are often stored in single precision.
const UNEVEN: f64 = 0.01;
/// Most cells of a row, and most months of a file.
const MOST_ACROSS: u64 = 1_000_000;

/// Cells that are asked for at once: a question has its cost, and packed files hold many rows in one piece.
const BLOCK_CELLS: u32 = 1 << 18;

struct Variable {
    path: PathBuf,
    file: NcFile,
    name: String,
    /// What stands before rows and columns.
    before: Vec<NcSliceInfoElem>,
    width: u32,
    height: u32,
    /// Rows of a block.
    rows: u32,
}

pub(super) fn open(
    path: &Path,
    bundle: &mut Bundle,
    name: Option<&str>,
    ask: Ask,
) -> Result<(Described, Box<dyn Blocks>), RasterError> {
    let broken =
        |error: &dyn std::fmt::Display| RasterError::Damaged { path: path.to_path_buf(), reason: error.to_string() };
    let unsupported = |expected, found: String| RasterError::Unsupported { path: path.to_path_buf(), expected, found };
    let storage: DynStorage = match bundle {
        Bundle::Disk(file) => Arc::new(FileStorage::open(file).map_err(|error| broken(&error))?),
        Bundle::Member(..) => {
            let bytes = bundle.main().map_err(|error| RasterError::from_bundle(path, error))?;
            Arc::new(BytesStorage::new(bytes))
        }
    };
    let file = NcFile::from_storage(storage).map_err(|error| broken(&error))?;
    let root = file.root_group().map_err(|error| broken(&error))?;
    let is_wanted = |one: &&NcVariable| axes(one, root).is_some() && name.is_none_or(|name| one.name() == name);
    let grids: Vec<&NcVariable> = root.variables.iter().filter(is_wanted).collect();
    let [variable] = grids.as_slice() else {
        let names: Vec<&str> = grids.iter().map(|one| one.name()).collect();
        let hint = "; name one as if the file were a folder, rain.nc/…";
        let found = if names.is_empty() { "none".to_owned() } else { format!("{}{hint}", names.join(", ")) };
        return Err(unsupported("one variable over latitude and longitude, or y and x", found));
    };
    let Some([y, x]) = axes(variable, root) else { return Err(broken(&"its variable has no axes")) };
    let values = |of: &NcVariable| -> Result<Vec<f64>, RasterError> {
        if of.num_elements().map_or(true, |count| count > MOST_ACROSS) {
            return Err(unsupported("at most a million columns, rows and times", of.name().to_owned()));
        }
        let read = file.read_variable_unpacked(of.name()).map_err(|error| broken(&error))?;
        Ok(read.into_iter().collect())
    };
    let (xs, ys) = (values(x)?, values(y)?);
    let (Some((x0, dx)), Some((y0, dy))) = (even(&xs), even(&ys)) else {
        return Err(unsupported("columns and rows in equal steps", format!("`{}` and `{}`", x.name(), y.name())));
    };
    let transform = Affine { x0, dx_column: dx, dx_row: 0.0, y0, dy_column: 0.0, dy_row: dy };

    let (mut before, mut held) = (Vec::new(), Vec::new());
    let dimensions = variable.dimensions();
    for dimension in &dimensions[..dimensions.len() - 2] {
        let steps = match root.coordinate_variable(&dimension.name) {
            Some(time) if dimension.size <= MOST_ACROSS => months(time, root, &values)?,
            _ => None,
        };
        let index = match steps {
            None if dimension.size == 1 => 0,
            None => {
                let found = format!("{} of `{}`", dimension.size, dimension.name);
                return Err(unsupported("months by a time that CF knows (`days since …`), or one of each", found));
            }
            Some(steps) => {
                let index = chosen(&steps, ask);
                held = steps;
                let fault = |(expected, found)| RasterError::OtherMonth { path: path.to_path_buf(), expected, found };
                index.map_err(fault)?
            }
        };
        before.push(NcSliceInfoElem::Index(index as u64));
    }
    if ask.must_tell && held.is_empty() {
        let (expected, found) = ("a time that gives its months", "none, and several months are asked of it".to_owned());
        return Err(RasterError::OtherMonth { path: path.to_path_buf(), expected: expected.to_owned(), found });
    }
    let text = |name: &str| variable.attribute(name).and_then(|attribute| attribute.value.as_string());
    let described = Described {
        format: if file.as_classic().is_some() { "NetCDF, classic" } else { "netCDF-4" },
        width: xs.len() as u32,
        height: ys.len() as u32,
        transform,
        crs: Some(crs(variable, x, root, path)?),
        // the library masks what the conventions call missing
        nodata: None,
        scale: 1.0,
        offset: 0.0,
        single_precision: false,
        unit: text("units").map(|unit| unit.trim().to_owned()).filter(|unit| !unit.is_empty()),
        months: held,
        block: (xs.len() as u32, (BLOCK_CELLS / xs.len() as u32).clamp(1, ys.len() as u32)),
    };
    let (path, name, width) = (path.to_path_buf(), variable.name().to_owned(), described.width);
    let (height, rows) = (described.height, described.block.1);
    Ok((described, Box::new(Variable { path, file, name, before, width, height, rows })))
}

/// The coordinates of a variable's rows and columns, its last two dimensions; `None` where it has none.
fn axes<'g>(variable: &NcVariable, root: &'g NcGroup) -> Option<[&'g NcVariable; 2]> {
    let [.., rows, columns] = variable.dimensions() else { return None };
    let axis = |name: &str, kind: CfAxisType, names: [&str; 3]| {
        let found = root.coordinate_variable(name)?;
        let is_called = || names.contains(&name.to_ascii_lowercase().as_str());
        (cf::identify_axis(found) == kind || is_called()).then_some(found)
    };
    let y = axis(&rows.name, CfAxisType::Y, ["lat", "latitude", "y"])?;
    let x = axis(&columns.name, CfAxisType::X, ["lon", "longitude", "x"])?;
    variable.dtype().is_primitive().then_some([y, x])
}

/// The outer edge before the first of evenly spaced centres, and the step.
fn even(centres: &[f64]) -> Option<(f64, f64)> {
    let (first, last) = (*centres.first()?, *centres.last()?);
    let step = (last - first) / (centres.len().checked_sub(1).filter(|&steps| steps > 0)? as f64);
    let fits = |(at, centre): (usize, &f64)| (centre - (first + at as f64 * step)).abs() <= UNEVEN * step.abs();
    let is_even = step.is_finite() && step.abs() > 0.0 && centres.iter().enumerate().all(fits);
    is_even.then_some((first - step / 2.0, step))
}

/// The month of each step of a time; `None` where the coordinate is no time.
fn months(
    time: &NcVariable,
    root: &NcGroup,
    values: &dyn Fn(&NcVariable) -> Result<Vec<f64>, RasterError>,
) -> Result<Option<Vec<Month>>, RasterError> {
    if time.name().eq_ignore_ascii_case("month") {
        let numbers = values(time)?;
        let is_month = |number: &f64| (1.0..=12.0).contains(number) && number.fract().abs() < f64::EPSILON;
        if numbers.iter().all(is_month) {
            return Ok(Some(numbers.iter().map(|&month| Month { year: None, month: month as u32 }).collect()));
        }
    }
    let Ok(Some(reference)) = cf::time::time_ref_from_variable(time) else { return Ok(None) };
    let mut at = values(time)?;
    // the middle of what a step stands for: its time may be that of its end
    if let Some(bounds) = cf::bounds::find_bounds_variable(time, root)
        && time.attribute("bounds").is_some()
    {
        let ends = values(bounds)?;
        if ends.len() == 2 * at.len() {
            at = ends.chunks_exact(2).map(|pair| f64::midpoint(pair[0], pair[1])).collect();
        }
    }
    let month = |&value: &f64| {
        let date = cf::time::decode_time_exact(value, &reference).ok()?;
        Some(Month { year: Some(date.year), month: u32::from(date.month) })
    };
    Ok(at.iter().map(month).collect())
}

/// The step of the month that is asked for; else what was expected and what was found.
fn chosen(steps: &[Month], ask: Ask) -> Result<usize, (String, String)> {
    let Some(asked) = ask.month else {
        let expected = "a grid of one time".to_owned();
        return if steps.len() == 1 || (ask.any_month && !steps.is_empty()) {
            Ok(0)
        } else {
            Err((expected, format!("{} times", steps.len())))
        };
    };
    let fits = |step: &Month| {
        step.month == asked.month && (asked.year.is_none() || step.year.is_none() || step.year == asked.year)
    };
    let found: Vec<usize> = (0..steps.len()).filter(|&at| fits(&steps[at])).collect();
    let expected = format!("one grid of {asked}");
    match (found.as_slice(), steps) {
        ([only], _) => Ok(*only),
        ([], [first, .., last]) => Err((expected, format!("none among {first} to {last}"))),
        ([], [only]) => Err((expected, format!("that of {only}"))),
        ([], []) => Err((expected, "no time in it".to_owned())),
        (several, _) => Err((expected, format!("{} of them", several.len()))),
    }
}

/// The reference system of a variable: that of its grid mapping; WGS 84 where longitudes stand in degrees and no other is named.
fn crs(variable: &NcVariable, x: &NcVariable, root: &NcGroup, path: &Path) -> Result<Crs, RasterError> {
    let text = |of: &NcVariable, name: &str| of.attribute(name).and_then(|attribute| attribute.value.as_string());
    let mapping = text(variable, "grid_mapping");
    let mapping = mapping.and_then(|name| root.variable(name.split([':', ' ']).next().unwrap_or("")));
    let written = mapping.and_then(|one| text(one, "crs_wkt").or_else(|| text(one, "spatial_ref")));
    if let Some(written) = written.filter(|text| !text.trim().is_empty()) {
        return Crs::parse(&written).map_err(|source| RasterError::Crs { path: path.to_path_buf(), source });
    }
    let name = mapping.and_then(|one| text(one, "grid_mapping_name"));
    let in_degrees = text(x, "units").is_some_and(|unit| unit.to_ascii_lowercase().starts_with("degree"));
    match name.as_deref() {
        None | Some("latitude_longitude") if in_degrees => Ok(Crs::wgs84()),
        name => Err(RasterError::Unsupported {
            path: path.to_path_buf(),
            expected: "longitudes in degrees, or a grid mapping with crs_wkt or spatial_ref",
            found: format!("the grid mapping {}", name.unwrap_or("none")),
        }),
    }
}

impl Blocks for Variable {
    fn block(&mut self, _: u32, down: u32) -> Result<Block, RasterError> {
        let mut selections = self.before.clone();
        let (start, end) = (down * self.rows, ((down + 1) * self.rows).min(self.height));
        selections.push(NcSliceInfoElem::Slice { start: u64::from(start), end: u64::from(end), step: 1 });
        selections.push(NcSliceInfoElem::Slice { start: 0, end: u64::from(self.width), step: 1 });
        let read = self.file.read_variable_slice_unpacked_masked(&self.name, &NcSliceInfo { selections });
        let values =
            read.map_err(|error| RasterError::Damaged { path: self.path.clone(), reason: error.to_string() })?;
        Ok(Block { width: self.width, values: values.into_iter().collect() })
    }
}
