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
/// Beginnings of a word in the names of files that hold a licence or what it asks to be passed on.
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
const OTHER: [&str; 9] = ["rs", "toml", "json", "html", "in", "c", "h", "ttf", "otf"];

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
        find(package.folder(), "", &mut own)?;
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

/// Finds the texts below a folder, by their path in it: those of a module that somebody else wrote
/// lie as deep as the module.
fn find(folder: &Path, within: &str, found: &mut BTreeMap<String, String>) -> Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let path = entry.path();
        let Some(name) = path.file_name().and_then(|name| name.to_str()) else {
            continue;
        };
        // Not by way of a link, which may lead back.
        if entry.file_type()?.is_dir() {
            find(&path, &format!("{within}{name}/"), found)?;
        } else if is_text(name) || is_about_a_font(&path) {
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
    let mut words = name.split(|letter: char| !letter.is_alphanumeric());
    !is_other && words.any(|word| NAMES.iter().any(|start| word.starts_with(start)))
}

/// Whether it is named like a font beside it: the terms of fonts are often handed on so.
fn is_about_a_font(path: &Path) -> bool {
    path.extension().is_some_and(|ending| ending == "txt")
        && ["ttf", "otf"]
            .iter()
            .any(|ending| path.with_extension(ending).is_file())
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
            "emoji-icon-font-mit-license.txt",
            "THIRD_PARTY_NOTICES",
        ] {
            assert!(is_text(name), "{name}");
        }
        for name in [
            "license.rs",
            "Cargo.toml",
            "README.md",
            "src",
            "reflicence.md",
            "OFL-Sans.ttf",
        ] {
            assert!(!is_text(name), "{name}");
        }
    }

    #[test]
    fn fonts_and_modules_of_others_have_their_texts_found() {
        let folder = std::env::temp_dir().join(format!("crestline-dist-{}", std::process::id()));
        let module = "src/backend/linux/portal/window/LICENSE";
        for (path, text) in [
            ("fonts/Sans-Regular.ttf", "a font"),
            ("fonts/Sans-Regular.txt", "the font's terms"),
            ("fonts/readings.txt", "no terms"),
            (module, "the module's terms"),
            ("src/lib.rs", "a module"),
        ] {
            let path = folder.join(path);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, text).unwrap();
        }
        let mut found = BTreeMap::new();
        find(&folder, "", &mut found).unwrap();
        fs::remove_dir_all(&folder).unwrap();
        let wanted = [
            ("fonts/Sans-Regular.txt", "the font's terms"),
            (module, "the module's terms"),
        ];
        let wanted = wanted.map(|(path, text)| (path.to_owned(), text.to_owned()));
        assert_eq!(found, BTreeMap::from(wanted));
    }
}
