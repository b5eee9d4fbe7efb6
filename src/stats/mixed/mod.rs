//! Linear mixed models: fixed effects and random intercepts, nested or crossed.
//!
//! `y ~ N(Xβ, V)`, `V = Σ σ_k² Z_k Z_k′ + σ² diag(1/w)`: one variance a random effect, and the residual.
//! Rows that nothing connects fall into blocks of their own, and a block that one random intercept alone holds together (a
//! season over its site-years) into parts: the cost is that of the largest part times their number, not that of all rows.
//!
//! | step | source |
//! | --- | --- |
//! | restricted likelihood | Patterson & Thompson 1971, Biometrika 58:545–554; Harville 1977, J. Am. Stat. Assoc. 72:320–338 |
//! | average information | Gilmour, Thompson & Cullis 1995, Biometrics 51:1440–1450 |
//! | small samples | Kenward & Roger 1997, Biometrics 53:983–997 |

mod block;
mod factor;
pub(crate) mod fit;
mod likelihood;
mod model;
mod search;
mod small_sample;

pub(crate) use model::MixedModel;
