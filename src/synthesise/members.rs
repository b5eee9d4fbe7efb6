//! Who enters a comparison over site-years, and who does not.

use std::collections::BTreeSet;

use crate::config::ArchiveSettings;
use crate::points::Caution;
use crate::results::{BlockDifference, LeftOut, Response, SiteYear};

/// A site-year in one comparison.
pub(super) struct Member<'s> {
    pub(super) site_year: &'s SiteYear,
    /// Its responses to the treatment.
    responses: Vec<&'s Response>,
    /// Its block differences under the treatment.
    pub(super) differences: Vec<&'s BlockDifference>,
}

impl<'s> Member<'s> {
    /// The response on a soil class, or over the whole field.
    pub(super) fn response(&self, class: Option<usize>) -> Option<&'s Response> {
        self.responses.iter().copied().find(|response| response.key.class == class)
    }

    /// The name that a reader knows it by.
    pub(super) fn name(&self) -> String {
        let identity = &self.site_year.identity;
        format!("{} {} {}", identity.season, identity.farm, identity.field)
    }
}

/// One treatment against the check in one crop.
pub(super) struct Comparison<'s> {
    pub(super) crop: String,
    pub(super) treatment: String,
    /// In the order of their identity.
    pub(super) members: Vec<Member<'s>>,
    pub(super) left_out: Vec<LeftOut>,
}

impl<'s> Comparison<'s> {
    /// The comparisons of the archive, by crop, then in the order of the treatments.
    ///
    /// Where combine and treatment cannot be told apart, the difference is of neither: such a site-year is left out.
    pub(super) fn all(site_years: &[&'s SiteYear], archive: &ArchiveSettings) -> Vec<Self> {
        let crops: BTreeSet<&str> = site_years.iter().map(|one| one.identity.crop.as_str()).collect();
        let mut comparisons = Vec::new();
        for crop in crops {
            for treatment in archive.treatments.iter().filter(|treatment| !treatment.check) {
                let mut comparison = Self {
                    crop: crop.to_owned(),
                    treatment: treatment.key.clone(),
                    members: Vec::new(),
                    left_out: Vec::new(),
                };
                for site_year in site_years.iter().filter(|one| one.identity.crop == crop) {
                    comparison.consider(site_year, &treatment.key);
                }
                if !comparison.members.is_empty() || !comparison.left_out.is_empty() {
                    comparisons.push(comparison);
                }
            }
        }
        comparisons
    }

    fn consider(&mut self, site_year: &'s SiteYear, treatment: &str) {
        let responses: Vec<&Response> =
            site_year.responses.iter().filter(|response| response.key.treatment == treatment).collect();
        if responses.is_empty() {
            return;
        }
        let aliased = site_year.cautions.contains(Caution::MachineAliased)
            || responses.iter().any(|response| response.cautions.contains(Caution::MachineAliased));
        if aliased {
            self.left_out.push(LeftOut {
                identity: site_year.identity.clone(),
                treatment: treatment.to_owned(),
                reason: Caution::MachineAliased.text().to_owned(),
            });
            return;
        }
        let differences =
            site_year.differences.iter().filter(|difference| difference.key.treatment == treatment).collect();
        self.members.push(Member { site_year, responses, differences });
    }

    /// The soil classes that occur, dry to wet, those of the site-years left out included: a row for each is owed.
    pub(super) fn classes(&self, site_years: &[&SiteYear]) -> Vec<usize> {
        let of_members = self.members.iter().flat_map(|member| member.responses.iter().filter_map(|one| one.key.class));
        let of_others = site_years
            .iter()
            .filter(|one| one.identity.crop == self.crop)
            .flat_map(|one| &one.responses)
            .filter(|response| response.key.treatment == self.treatment)
            .filter_map(|response| response.key.class);
        of_members.chain(of_others).collect::<BTreeSet<usize>>().into_iter().collect()
    }

    /// The rank of each member's wetness class; `None` where its wetness is not known.
    pub(super) fn wetness_ranks(&self, archive: &ArchiveSettings) -> Vec<Option<usize>> {
        let labels = archive.wetness.as_ref().map_or(&[][..], |settings| settings.labels.as_slice());
        self.members
            .iter()
            .map(|member| {
                let class = member.site_year.wetness_class.as_ref()?;
                labels.iter().position(|label| label == class)
            })
            .collect()
    }

    /// Mean yield of the check over the members, kg/ha.
    pub(super) fn check_yield(&self) -> Option<f64> {
        let yields: Vec<f64> = self
            .members
            .iter()
            .flat_map(|member| member.responses.iter().filter_map(|response| response.check_yield))
            .collect();
        (!yields.is_empty()).then(|| yields.iter().sum::<f64>() / yields.len() as f64)
    }
}
