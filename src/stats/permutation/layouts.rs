//! The assignments that could have been drawn.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::stats::{StatsError, check};

/// Up to this many blocks every assignment is enumerated.
pub const EXACT_UP_TO: usize = 16;
/// Beyond [`EXACT_UP_TO`] blocks this many assignments are drawn, besides the one observed.
pub const SAMPLES: usize = 9_999;

/// Which sign vectors the null distribution runs over.
#[derive(Debug, Clone)]
pub enum Layouts<'a> {
    /// Every block was randomised by itself: all `2^B` sign vectors, or [`SAMPLES`] of them drawn with this seed.
    Independent {
        /// Seed of the generator (`ChaCha8`) when assignments are drawn.
        seed: u64,
    },
    /// A restricted randomisation: exactly these assignments could have been drawn, each with the same chance.
    ///
    /// One entry a layout, one element a block: `true` where the layout agrees with the one observed. The observed
    /// layout itself, all `true`, must be among them.
    Listed(&'a [Vec<bool>]),
}

impl Layouts<'_> {
    /// Calls `visit` with every sign vector (`false` = flipped), the observed one included. Answers how many, and
    /// whether they are all there are.
    pub(super) fn visit(&self, blocks: usize, mut visit: impl FnMut(&[bool])) -> Result<(u64, bool), StatsError> {
        match self {
            Self::Listed(layouts) => {
                for layout in *layouts {
                    check::length("signs of a layout", layout.len(), blocks)?;
                }
                if !layouts.iter().any(|layout| layout.iter().all(|&kept| kept)) {
                    return Err(StatsError::TooFew { what: "layouts equal to the observed one", found: 0, needed: 1 });
                }
                layouts.iter().for_each(|layout| visit(layout));
                Ok((layouts.len() as u64, true))
            }
            Self::Independent { .. } if blocks <= EXACT_UP_TO => {
                let count = 1_u64 << blocks;
                let mut signs = vec![true; blocks];
                for code in 0..count {
                    for (block, sign) in signs.iter_mut().enumerate() {
                        *sign = (code >> block) & 1 == 0;
                    }
                    visit(&signs);
                }
                Ok((count, true))
            }
            Self::Independent { seed } => {
                let mut signs = vec![true; blocks];
                visit(&signs);
                let mut random = ChaCha8Rng::seed_from_u64(*seed);
                for _ in 0..SAMPLES {
                    for sign in &mut signs {
                        *sign = random.random();
                    }
                    visit(&signs);
                }
                Ok((1 + SAMPLES as u64, false))
            }
        }
    }
}
