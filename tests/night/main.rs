//! The night: killed, full, damaged, stopped, shared among machines, and what it keeps, marks and lists.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    dead_code,
    missing_docs,
    unreachable_pub,
    reason = "a test may stop at the first surprise; the archive of the command-line tests serves here too, in part"
)]

#[path = "../cli/archive.rs"]
mod archive;
mod tree;

mod damage;
mod failing;
mod full_disk;
mod killed;
mod many;
mod other_runs;
mod prices;
mod settings;
mod shares;
mod signals;
mod snapshot;
