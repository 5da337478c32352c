//! Which packages have a part in what is handed on, as cargo resolves them.

use crate::Result;
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

/// A package of somebody else's.
#[derive(Clone, Debug, Deserialize, PartialEq, Eq, PartialOrd, Ord)]
pub struct Package {
    pub name: String,
    pub version: String,
    /// An SPDX expression.
    pub license: Option<String>,
    pub authors: Vec<String>,
    pub repository: Option<String>,
    id: String,
    /// `None` for what is ours.
    source: Option<String>,
    manifest_path: PathBuf,
}

impl Package {
    /// Where its sources lie.
    pub fn folder(&self) -> &Path {
        self.manifest_path.parent().unwrap_or(Path::new("."))
    }
}

#[derive(Deserialize)]
struct Metadata {
    packages: Vec<Package>,
    resolve: Resolve,
}

#[derive(Deserialize)]
struct Resolve {
    nodes: Vec<Node>,
}

#[derive(Deserialize)]
struct Node {
    id: String,
    deps: Vec<Dependency>,
}

#[derive(Deserialize)]
struct Dependency {
    pkg: String,
    dep_kinds: Vec<Kind>,
}

#[derive(Deserialize)]
struct Kind {
    /// `None` for what is linked; else `build` or `dev`.
    kind: Option<String>,
}

/// Everybody else's packages that our `roots` are built with or of for `triple`, by name. Those of
/// tests are none of them.
///
/// # Errors
/// Cargo cannot tell.
pub fn packages(triple: &str, roots: &[&str]) -> Result<Vec<Package>> {
    let mut command = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    command.args([
        "metadata",
        "--format-version",
        "1",
        "--locked",
        "--filter-platform",
        triple,
    ]);
    let told = command.stderr(std::process::Stdio::inherit()).output()?;
    if !told.status.success() {
        return Err("`cargo metadata` fails, as it says above".into());
    }
    let told: Metadata = serde_json::from_slice(&told.stdout)?;
    Ok(reached(&told, roots))
}

fn reached(told: &Metadata, roots: &[&str]) -> Vec<Package> {
    let nodes: BTreeMap<&str, &Node> = told
        .resolve
        .nodes
        .iter()
        .map(|node| (&*node.id, node))
        .collect();
    let roots = told
        .packages
        .iter()
        .filter(|package| roots.contains(&&*package.name));
    let mut ahead: Vec<&str> = roots.map(|package| &*package.id).collect();
    let mut seen = BTreeSet::new();
    while let Some(id) = ahead.pop() {
        if let Some(node) = nodes.get(id).filter(|_| seen.insert(id)) {
            let has_a_part = |dependency: &&Dependency| {
                let kinds = &dependency.dep_kinds;
                kinds.iter().any(|kind| kind.kind.as_deref() != Some("dev"))
            };
            ahead.extend(
                node.deps
                    .iter()
                    .filter(has_a_part)
                    .map(|dependency| &*dependency.pkg),
            );
        }
    }
    let others = told
        .packages
        .iter()
        .filter(|package| seen.contains(&*package.id) && package.source.is_some());
    let mut others: Vec<Package> = others.cloned().collect();
    others.sort();
    others
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_only_tests_use_has_no_part() {
        let package = |name: &str, ours: bool| {
            let source = if ours { "null" } else { "\"a registry\"" };
            format!(
                r#"{{"name": "{name}", "version": "1.0.0", "license": "MIT", "authors": [],
                "repository": null, "id": "{name}", "source": {source}, "manifest_path": "/a/Cargo.toml"}}"#
            )
        };
        let packages = [
            ("ours", true),
            ("linked", false),
            ("builds", false),
            ("tests", false),
        ]
        .map(|(name, ours)| package(name, ours))
        .join(",");
        let told = format!(
            r#"{{"packages": [{packages}], "resolve": {{"nodes": [
                {{"id": "ours", "deps": [
                    {{"pkg": "linked", "dep_kinds": [{{"kind": null}}, {{"kind": "dev"}}]}},
                    {{"pkg": "tests", "dep_kinds": [{{"kind": "dev"}}]}}]}},
                {{"id": "linked", "deps": [{{"pkg": "builds", "dep_kinds": [{{"kind": "build"}}]}}]}},
                {{"id": "builds", "deps": []}}, {{"id": "tests", "deps": []}}]}}}}"#
        );
        let told = serde_json::from_str(&told).unwrap();
        let names: Vec<String> = reached(&told, &["ours"])
            .into_iter()
            .map(|found| found.name)
            .collect();
        assert_eq!(names, ["builds", "linked"]);
    }
}
