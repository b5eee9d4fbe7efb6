//! Killed at any moment, the next run completes with the same bytes.

use std::time::{Duration, Instant};

use crate::archive::Archive;
use crate::tree::{assert_same, results, start};

/// Shares of a run's time, spread as evenly as they are unforeseeable (multiples of the golden ratio).
fn moments(count: usize) -> impl Iterator<Item = f64> {
    (1..=count).map(|at| (at as f64 * 0.618_033_988_749_894_9).fract())
}

/// Runs and kills the run at a share of its usual time.
fn kill_at(archive: &Archive, more: &[&str], moment: Duration) {
    let (root, out) = (archive.root(), archive.out());
    let mut arguments = vec!["run", root.to_str().unwrap(), "--out", out.to_str().unwrap()];
    arguments.extend(more);
    let mut child = start(&arguments);
    std::thread::sleep(moment);
    // on Unix this is SIGKILL
    child.kill().unwrap();
    child.wait().unwrap();
}

fn usual(archive: &Archive) -> Duration {
    let begun = Instant::now();
    assert_eq!(archive.run().code, 0);
    begun.elapsed()
}

#[test]
fn a_first_night_killed_at_any_of_25_moments_is_completed_by_the_next() {
    let archive = Archive::new();
    let usual = usual(&archive);
    let whole = results(&archive.out());
    for share in moments(25) {
        std::fs::remove_dir_all(archive.out()).unwrap();
        kill_at(&archive, &[], usual.mul_f64(share));
        if archive.out().exists() {
            // whatever is there is whole
            let left = results(&archive.out());
            assert!(left.iter().all(|(name, bytes)| whole.get(name) == Some(bytes)), "killed at {share:.2}");
        }
        let said = archive.run();
        assert_eq!(said.code, 0, "killed at {share:.2}: {}", said.stderr);
        assert_same(&results(&archive.out()), &whole);
    }
}

/// Kills nights after a setting went from one text to another and back, and completes each.
fn later_nights(texts: [&str; 2], count: usize) {
    let archive = Archive::new();
    let first = usual(&archive);
    let before = results(&archive.out());
    archive.edit("archive.toml", texts[0], texts[1]);
    let begun = Instant::now();
    assert_eq!(archive.run().code, 0);
    let usual = first.min(begun.elapsed());
    let after = results(&archive.out());
    assert_ne!(before, after);
    for (at, share) in moments(count).enumerate() {
        let ([from, to], expected) = if at % 2 == 0 { ([texts[1], texts[0]], &before) } else { (texts, &after) };
        archive.edit("archive.toml", from, to);
        kill_at(&archive, &[], usual.mul_f64(share));
        // every file is the one of before or that of after, whole
        for (name, bytes) in results(&archive.out()).iter().filter(|(name, _)| name.starts_with("site_years/")) {
            let known = [&before, &after].map(|tree| tree.get(name));
            assert!(known.contains(&Some(bytes)), "killed at {share:.2}: {name}");
        }
        if at % 3 == 0 {
            // back to the settings of which a part was already replaced
            archive.edit("archive.toml", to, from);
            assert_eq!(archive.run().code, 0);
            assert_same(&results(&archive.out()), if at % 2 == 0 { &after } else { &before });
            archive.edit("archive.toml", from, to);
        }
        let said = archive.run();
        assert_eq!(said.code, 0, "killed at {share:.2}: {}", said.stderr);
        assert_same(&results(&archive.out()), expected);
    }
}

#[test]
fn a_later_night_killed_at_any_of_25_moments_is_completed_by_the_next() {
    later_nights(["edge_along = \"10 m\"", "edge_along = \"15 m\""], 25);
}

#[test]
fn a_night_of_another_price_killed_at_any_of_15_moments_is_completed_by_the_next() {
    later_nights(["price = \"4.20 USD/bu\"", "price = \"3.10 USD/bu\""], 15);
}
