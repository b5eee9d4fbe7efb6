//! Photographs of what was seen: the files beside the page, and a pair of check and treated on it.

use std::collections::BTreeSet;
use std::sync::Arc;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};

use crate::config::ArchiveSettings;
use crate::observed::PhotoPair;
use crate::points::{Ingested, Observation, Photo, Scale};

/// The photographs in the order of measures and rows, by the names of their files in the output.
fn named(ingested: &Ingested) -> Vec<(String, Arc<Photo>)> {
    let mut known: BTreeSet<&str> = BTreeSet::new();
    let all = ingested.observed.iter().flat_map(|measure| &measure.observations).filter_map(|one| one.photo.as_ref());
    let first = all.filter(|photo| known.insert(photo.name.as_str()));
    first.enumerate().map(|(at, photo)| (format!("photo-{:03}.jpg", at + 1), Arc::clone(photo))).collect()
}

/// The files of the photographs.
pub(super) fn files(ingested: &Ingested) -> Vec<(String, Vec<u8>)> {
    named(ingested).into_iter().map(|(name, photo)| (name, photo.jpeg.clone())).collect()
}

/// The part of the page; `None` without photographs.
pub(super) fn part(ingested: &Ingested, pairs: &[PhotoPair<'_>], archive: &ArchiveSettings) -> Option<Value> {
    let files = named(ingested);
    if files.is_empty() {
        return None;
    }
    let file_of =
        |photo: &Photo| files.iter().find(|(_, known)| known.name == photo.name).map(|(name, _)| name.clone());
    let side = |one: &Observation, label: &str, scale: &Scale| {
        let photo = one.photo.as_ref()?;
        let value = match scale {
            Scale::Ordinal(levels) => levels.get(one.value as usize).cloned().unwrap_or_default(),
            Scale::Percent => format!("{} %", one.value),
            Scale::Count => one.value.to_string(),
        };
        Some(json!({
            "label": label,
            "value": value,
            "day": one.day,
            "file": file_of(photo),
            "data": format!("data:image/jpeg;base64,{}", STANDARD.encode(&photo.small_jpeg)),
        }))
    };
    let check = archive.check().map_or("", |check| check.label.as_str());
    let pairs = pairs.iter().filter_map(|pair| {
        let sides = [
            side(pair.check, check, &pair.measure.scale)?,
            side(pair.treated, archive.label(pair.treatment), &pair.measure.scale)?,
        ];
        Some(json!({ "measure": pair.measure.name, "block": pair.block, "sides": sides }))
    });
    let pairs: Vec<Value> = pairs.collect();
    let all = files.iter().map(|(name, photo)| json!({ "file": name, "from": photo.name }));
    Some(json!({ "pairs": pairs, "all": all.collect::<Vec<_>>() }))
}
