//! The figures to take along, below `figures`: a drawing and a picture of each. What stands as it would be drawn is left alone.

use std::collections::BTreeSet;
use std::path::Path;

use rayon::prelude::*;

use super::BatchError;
use super::store::Store;
use crate::config::ArchiveSettings;
use crate::report::{self, Slide};
use crate::results::{Conclusions, Outline, SiteYear};

/// Their folder in the output.
const FIGURES: &str = "figures";
/// Width of the pictures, px.
pub(super) const WIDTH: u32 = 1280;

/// Writes those figures that are new or would be drawn otherwise, and removes those that no longer are; answers how many are written.
pub(super) fn write(
    store: &Store,
    site_years: &[SiteYear],
    (conclusions, outline): (&Conclusions, &Outline),
    settings: &ArchiveSettings,
) -> Result<usize, BatchError> {
    let slides = report::slides(site_years, conclusions, outline, settings)?;
    let written: Vec<bool> =
        slides.par_iter().map(|slide| one(store, slide, WIDTH, false)).collect::<Result<_, BatchError>>()?;
    settled(store)?;
    let names: BTreeSet<String> =
        slides.iter().flat_map(|slide| ["svg", "png"].map(|end| format!("{}.{end}", slide.name))).collect();
    store.keep_only(Path::new(FIGURES), &names)?;
    Ok(written.into_iter().filter(|written| *written).count())
}

/// Writes the figures whose names match a pattern at a width; answers their names.
pub(super) fn write_some(
    store: &Store,
    slides: &[Slide],
    only: Option<&glob::Pattern>,
    width: u32,
) -> Result<Vec<String>, BatchError> {
    let wanted: Vec<&Slide> = slides.iter().filter(|slide| only.is_none_or(|only| only.matches(&slide.name))).collect();
    wanted.par_iter().map(|slide| one(store, slide, width, true)).collect::<Result<Vec<_>, BatchError>>()?;
    settled(store)?;
    Ok(wanted.into_iter().map(|slide| format!("{FIGURES}/{}", slide.name)).collect())
}

/// Writes one figure, unless it stands as it would be drawn, which its drawing vouches for.
fn one(store: &Store, slide: &Slide, width: u32, is_forced: bool) -> Result<bool, BatchError> {
    let (folder, name) = slide.name.rsplit_once('/').unwrap_or(("", &slide.name));
    let folder = Path::new(FIGURES).join(folder);
    let (drawing, picture) = (format!("{name}.svg"), format!("{name}.png"));
    let there = store.root().join(&folder);
    let stands = || {
        there.join(&picture).is_file()
            && std::fs::read(there.join(&drawing)).is_ok_and(|bytes| bytes == slide.svg.as_bytes())
    };
    if !is_forced && stands() {
        return Ok(false);
    }
    let pixels = report::picture(slide, width)?;
    store.write_drawing(&folder, (&picture, &pixels), (&drawing, slide.svg.as_bytes()))?;
    Ok(true)
}

fn settled(store: &Store) -> Result<(), BatchError> {
    let failed = store.settle().into_iter().next();
    failed.map_or(Ok(()), |(_, error)| Err(error.into()))
}
