//! The licences of everything that is handed on, as one page: who, under what, and each text once.

use crate::Result;
use crate::metadata::Package;
use spdx::{Expression, ParseMode};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

/// What may be in it: licences that let us hand it on under ours, with their texts. The MPL asks
/// for the sources of what is under it, which the page names; the fonts' ask for their texts alone.
const ALLOWED: [&str; 16] = [
    "0BSD",
    "Apache-2.0",
    "BlueOak-1.0.0",
    "BSD-1-Clause",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "ISC",
    "MIT",
    "MPL-2.0",
    "OFL-1.1",
    "Ubuntu-font-1.0",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];
/// Beginnings of the names of files that hold a licence or what it asks to be passed on.
const NAMES: [&str; 8] = [
    "license",
    "licence",
    "copying",
    "notice",
    "unlicense",
    "copyright",
    "ofl",
    "ufl",
];
/// Endings that such a file does not have.
const OTHER: [&str; 5] = ["rs", "toml", "json", "html", "in"];
/// A vendored library's texts lie so many folders down at most.
const DEPTH: usize = 3;

/// The page.
///
/// # Errors
/// A package has no licence, or none that is allowed.
pub fn page(packages: &[Package]) -> Result<String> {
    let mut list = String::new();
    // Each text, and who comes with it.
    let mut texts: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for package in packages {
        let about = format!("{} {}", package.name, package.version);
        let expression = package.license.as_deref().unwrap_or_default();
        let chosen = chosen(&about, expression)?;
        let mut own = BTreeMap::new();
        find(package.folder(), "", DEPTH, &mut own)?;
        let at = package
            .repository
            .clone()
            .unwrap_or_else(|| format!("https://crates.io/crates/{}", package.name));
        let without = own.keys().all(|name| name.contains('/'));
        let note = if without {
            " (ships no text of its own)"
        } else {
            ""
        };
        writeln!(list, "{about}\n    {expression}{note}\n    {at}")?;
        for (name, text) in own {
            texts
                .entry(text)
                .or_default()
                .insert(format!("{about}: {name}"));
        }
        if without {
            for licence in chosen {
                let by = if package.authors.is_empty() {
                    "its authors".to_owned()
                } else {
                    package.authors.join(", ")
                };
                texts
                    .entry(licence.text().to_owned())
                    .or_default()
                    .insert(format!(
                        "{about}, by {by}: {} as the SPDX list has it",
                        licence.name
                    ));
            }
        }
    }
    let mut page = format!("{HEAD}{list}\n{}\n", "=".repeat(80));
    let mut ordered: Vec<_> = texts.into_iter().map(|(text, by)| (by, text)).collect();
    ordered.sort();
    for (by, text) in ordered {
        for by in by {
            writeln!(page, "{by}")?;
        }
        writeln!(page, "\n{}\n\n{}", text.trim(), "=".repeat(80))?;
    }
    Ok(page)
}

const HEAD: &str = "\
Crestline is under the MIT licence or the Apache licence 2.0, as you like (LICENSE-MIT,
LICENSE-APACHE). It is built with the Rust standard library, under the same two, copyright the Rust
project's developers, and with the packages below, each under its own licence. The sources of all of
them, those under the Mozilla Public License 2.0 among them, are at the addresses given, and as
https://crates.io/crates/NAME/VERSION.

";

/// The licences of an expression under which it is handed on: where there is a choice, all that
/// are allowed.
fn chosen(about: &str, expression: &str) -> Result<Vec<spdx::LicenseId>> {
    let parsed = Expression::parse_mode(expression, ParseMode::LAX)
        .map_err(|_| format!("{about} has no licence that can be read ({expression:?})"))?;
    let allowed = |id: &spdx::LicenseId| ALLOWED.contains(&id.name);
    if !parsed.evaluate(|wanted| wanted.license.id().is_some_and(|id| allowed(&id))) {
        return Err(format!(
            "{about} is under {expression}, which is not among the licences that are allowed here"
        )
        .into());
    }
    let ids = parsed
        .requirements()
        .filter_map(|wanted| wanted.req.license.id());
    Ok(ids.filter(allowed).collect())
}

/// Finds the texts below a folder, by their path in it.
fn find(
    folder: &Path,
    within: &str,
    depth: usize,
    found: &mut BTreeMap<String, String>,
) -> Result<()> {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        let Some(name) = path.file_name().and_then(|name| name.to_str()) else {
            continue;
        };
        if path.is_dir() {
            if depth > 0 {
                find(&path, &format!("{within}{name}/"), depth - 1, found)?;
            }
        } else if is_text(name) {
            let text = String::from_utf8_lossy(&fs::read(&path)?).replace("\r\n", "\n");
            found.insert(format!("{within}{name}"), text);
        }
    }
    Ok(())
}

fn is_text(name: &str) -> bool {
    let name = name.to_lowercase();
    let is_other = name
        .rsplit_once('.')
        .is_some_and(|(_, ending)| OTHER.contains(&ending));
    !is_other && NAMES.iter().any(|start| name.starts_with(start))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Expressions by the SPDX specification, annex D; the slash is older than it.
    #[test]
    fn a_choice_needs_one_that_is_allowed_and_a_sum_needs_all() {
        let names = |expression: &str| {
            let chosen = chosen("a package", expression).map_err(|error| error.to_string());
            chosen.map(|ids| ids.iter().map(|id| id.name).collect::<Vec<_>>())
        };
        assert_eq!(names("MIT OR Apache-2.0").unwrap(), ["MIT", "Apache-2.0"]);
        assert_eq!(names("MIT/Apache-2.0").unwrap(), ["MIT", "Apache-2.0"]);
        assert_eq!(names("Apache-2.0 OR GPL-2.0-only").unwrap(), ["Apache-2.0"]);
        assert_eq!(
            names("Apache-2.0 WITH LLVM-exception").unwrap(),
            ["Apache-2.0"]
        );
        for expression in ["GPL-3.0-or-later", "MIT AND LGPL-2.1-only", "", "Mine"] {
            let error = names(expression).unwrap_err();
            assert!(error.starts_with("a package"), "{error}");
        }
    }

    #[test]
    fn licences_are_told_from_what_is_named_alike() {
        for name in [
            "LICENSE",
            "LICENSE-MIT",
            "license.md",
            "COPYING",
            "NOTICE.txt",
            "OFL.txt",
        ] {
            assert!(is_text(name), "{name}");
        }
        for name in ["license.rs", "Cargo.toml", "README.md", "src"] {
            assert!(!is_text(name), "{name}");
        }
    }
}
