//! Statistics: robust summaries, distributions, mixed models, covariance, meta-analysis, permutation.
//!
//! Knows nothing of agriculture.
