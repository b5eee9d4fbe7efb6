//! Names of folders made from names that people typed.

use std::collections::BTreeMap;

/// Longest slug, bytes.
const LONGEST: usize = 100;

/// A safe name: letters, digits and hyphens in lower case, never empty, never beginning with a dot.
///
/// Letters outside ASCII stay as they are; everything else becomes a hyphen.
pub fn slug(name: &str) -> String {
    let mut slug = String::new();
    for c in name.chars().flat_map(char::to_lowercase) {
        if c.is_alphanumeric() {
            slug.push(c);
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
    }
    let mut end = slug.len().min(LONGEST);
    while !slug.is_char_boundary(end) {
        end -= 1;
    }
    slug.truncate(end);
    let slug = slug.trim_end_matches('-');
    if slug.is_empty() { "unnamed".to_owned() } else { slug.to_owned() }
}

/// Slugs of distinct names, no two of which are the same: those that collide end in a part of the name's hash.
pub fn unique_slugs<'n>(names: impl IntoIterator<Item = &'n str>) -> BTreeMap<String, String> {
    let mut by_slug: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for name in names {
        let known = by_slug.entry(slug(name)).or_default();
        if !known.contains(&name) {
            known.push(name);
        }
    }
    let mut slugs = BTreeMap::new();
    for (slug, names) in &by_slug {
        for name in names {
            let own = if names.len() == 1 && slug != "unnamed" {
                slug.clone()
            } else {
                let hash = blake3::hash(name.as_bytes()).to_hex();
                let mut short = slug.clone();
                let mut end = short.len().min(LONGEST - 9);
                while !short.is_char_boundary(end) {
                    end -= 1;
                }
                short.truncate(end);
                format!("{short}-{}", &hash[..8])
            };
            slugs.insert((*name).to_owned(), own);
        }
    }
    slugs
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_become_safe_folder_names() {
        assert_eq!(slug("North Eighty"), "north-eighty");
        assert_eq!(slug("../../etc/passwd"), "etc-passwd");
        assert_eq!(slug("...hidden"), "hidden");
        assert_eq!(slug("a\nb\tc"), "a-b-c");
        assert_eq!(slug("<script>alert(1)</script>"), "script-alert-1-script");
        assert_eq!(slug("🌽"), "unnamed");
        assert_eq!(slug(""), "unnamed");
        assert!(slug(&"ü".repeat(300)).len() <= LONGEST);
        assert_eq!(slug("Große Breite"), "große-breite");
    }

    #[test]
    fn two_names_never_share_a_slug() {
        let slugs = unique_slugs(["North-80", "north 80", "North 80", "South", "🌽", "🐖"]);
        let mut own: Vec<_> = slugs.values().collect();
        own.sort();
        own.dedup();
        assert_eq!(own.len(), 6);
        assert_eq!(slugs["South"], "south");
        assert!(slugs.values().all(|slug| slug.len() <= LONGEST && !slug.starts_with('.')));
    }
}
