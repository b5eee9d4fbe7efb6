//! Shares of an archive: which site-years one of several processes computes.

use std::fmt;

use thiserror::Error;

/// The share `number` of `count`, from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Share {
    number: u64,
    count: u64,
}

/// Why a text names no share.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("{0}")]
pub struct ShareError(String);

/// How a scheduler tells an array's job which one it is: its index, the least index, and the greatest or the count.
struct Scheduler {
    index: &'static str,
    first: Option<&'static str>,
    last: &'static [Last],
}

enum Last {
    Index(&'static str),
    Count(&'static str),
}

/// From the schedulers' manuals (sbatch, qsub of PBS Professional and Grid Engine, bsub), as remembered. PBS tells no count: it
/// is taken from a variable that the job script sets.
const SCHEDULERS: [Scheduler; 4] = [
    Scheduler {
        index: "SLURM_ARRAY_TASK_ID",
        first: Some("SLURM_ARRAY_TASK_MIN"),
        last: &[Last::Index("SLURM_ARRAY_TASK_MAX"), Last::Count("SLURM_ARRAY_TASK_COUNT")],
    },
    Scheduler { index: "PBS_ARRAY_INDEX", first: None, last: &[Last::Count("BANDLIFT_SHARES")] },
    Scheduler { index: "SGE_TASK_ID", first: Some("SGE_TASK_FIRST"), last: &[Last::Index("SGE_TASK_LAST")] },
    Scheduler { index: "LSB_JOBINDEX", first: None, last: &[Last::Index("LSB_JOBINDEX_END")] },
];

impl Share {
    /// From `K/N`, `1 ≤ K ≤ N`.
    ///
    /// # Errors
    /// [`ShareError`] says what was found and expected.
    pub fn parse(text: &str) -> Result<Self, ShareError> {
        let fault = || ShareError(format!("found `{text}`, expected K/N with K from 1 to N, such as 3/8, or auto"));
        let (number, count) = text.split_once('/').ok_or_else(fault)?;
        let (number, count) = (number.parse().map_err(|_| fault())?, count.parse().map_err(|_| fault())?);
        if number == 0 || number > count { Err(fault()) } else { Ok(Self { number, count }) }
    }

    /// From the index variables of an array job: `lookup` answers the value of an environment variable.
    ///
    /// # Errors
    /// [`ShareError`] when there are none, or they make no share.
    pub fn of_array_job(lookup: impl Fn(&str) -> Option<String>) -> Result<Self, ShareError> {
        let Some(scheduler) = SCHEDULERS.iter().find(|scheduler| lookup(scheduler.index).is_some()) else {
            let known: Vec<&str> = SCHEDULERS.iter().map(|scheduler| scheduler.index).collect();
            return Err(ShareError(format!("auto: not an array job: none of {} is set", known.join(", "))));
        };
        let number = |name: &str| {
            let Some(text) = lookup(name) else { return Ok(None) };
            let found = || ShareError(format!("auto: {name} is `{text}`, expected a whole number"));
            text.parse::<u64>().map(Some).map_err(|_| found())
        };
        let missing = |name: &str| ShareError(format!("auto: {} is set, but {name} is not", scheduler.index));
        let index = number(scheduler.index)?.ok_or_else(|| missing(scheduler.index))?;
        let first = scheduler.first.map(number).transpose()?.flatten().unwrap_or(1);
        let mut count = None;
        for last in scheduler.last {
            count = count.or(match last {
                Last::Index(name) => number(name)?.map(|last| (last + 1).saturating_sub(first)),
                Last::Count(name) => number(name)?,
            });
        }
        let name = match scheduler.last[0] {
            Last::Index(name) | Last::Count(name) => name,
        };
        let count = count.ok_or_else(|| missing(name))?;
        let share = index.checked_sub(first).map(|before| before + 1).filter(|number| *number <= count);
        share.map(|number| Self { number, count }).ok_or_else(|| {
            ShareError(format!(
                "auto: {} {index} is not one of {count} from {first}; steps are not known",
                scheduler.index
            ))
        })
    }

    /// Whether a site-year belongs to the share. It depends on its season, farm and field only: neither on the folder it
    /// lies in nor on the other site-years.
    pub fn holds(self, (season, farm, field): (i32, &str, &str)) -> bool {
        let mut hasher = blake3::Hasher::new();
        for part in [season.to_string().as_str(), farm, field] {
            hasher.update(&(part.len() as u64).to_le_bytes());
            hasher.update(part.as_bytes());
        }
        let mut first = [0; 8];
        first.copy_from_slice(&hasher.finalize().as_bytes()[..8]);
        u64::from_le_bytes(first) % self.count == self.number - 1
    }

    /// As a name of a file: `3-of-8`.
    pub fn name(self) -> String {
        format!("{}-of-{}", self.number, self.count)
    }
}

impl fmt::Display for Share {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "{}/{}", self.number, self.count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn array(variables: &[(&str, &str)]) -> Result<Share, String> {
        let of = |name: &str| variables.iter().find(|one| one.0 == name).map(|one| one.1.to_owned());
        Share::of_array_job(of).map_err(|error| error.to_string())
    }

    #[test]
    fn every_site_year_belongs_to_exactly_one_share() {
        let shares: Vec<Share> = (1..=7).map(|number| Share { number, count: 7 }).collect();
        let mut sizes = [0; 7];
        for at in 0..700 {
            let field = format!("field {at}");
            let of: Vec<usize> = (0..7).filter(|&share| shares[share].holds((2023, "Hollow", &field))).collect();
            assert_eq!(of.len(), 1);
            sizes[of[0]] += 1;
        }
        assert!(sizes.iter().all(|size| (60..=140).contains(size)), "{sizes:?}");
    }

    #[test]
    fn a_share_is_typed_as_k_of_n() {
        assert_eq!(Share::parse("3/8").unwrap().name(), "3-of-8");
        for wrong in ["0/8", "9/8", "3", "3/", "a/b", "-1/8", "1/0", "3/8/9"] {
            let error = Share::parse(wrong).unwrap_err().to_string();
            assert!(error.contains(wrong) && error.contains("such as 3/8"), "{error}");
        }
    }

    #[test]
    fn array_jobs_tell_their_share() {
        let slurm = |id, min, max| {
            array(&[("SLURM_ARRAY_TASK_ID", id), ("SLURM_ARRAY_TASK_MIN", min), ("SLURM_ARRAY_TASK_MAX", max)])
        };
        assert_eq!(slurm("0", "0", "3").unwrap().to_string(), "1/4");
        assert_eq!(slurm("4", "1", "4").unwrap().to_string(), "4/4");
        assert_eq!(array(&[("SGE_TASK_ID", "2"), ("SGE_TASK_LAST", "5")]).unwrap().to_string(), "2/5");
        assert_eq!(array(&[("LSB_JOBINDEX", "2"), ("LSB_JOBINDEX_END", "5")]).unwrap().to_string(), "2/5");
        assert_eq!(array(&[("PBS_ARRAY_INDEX", "2"), ("BANDLIFT_SHARES", "5")]).unwrap().to_string(), "2/5");
        assert!(array(&[]).unwrap_err().contains("not an array job"));
        assert!(array(&[("PBS_ARRAY_INDEX", "2")]).unwrap_err().contains("BANDLIFT_SHARES is not"));
        assert!(array(&[("SLURM_ARRAY_TASK_ID", "x")]).unwrap_err().contains("expected a whole number"));
        assert!(slurm("9", "1", "4").unwrap_err().contains("not one of 4"));
        // a Grid Engine job that is no array
        assert!(array(&[("SGE_TASK_ID", "undefined")]).is_err());
    }
}
