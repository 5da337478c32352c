//! System packages, by distribution.

use std::process::Command;

/// What is missing.
pub enum Missing {
    /// Nothing that is known of.
    Nothing,
    /// Packages, and the commands that install them, to be run as root.
    Packages {
        names: Vec<&'static str>,
        install: Vec<Command>,
    },
    /// The names are not known here; in words, what the packages are for.
    UnknownSystem { needed: &'static str },
}

/// In words, for systems whose package names are not known here.
const NEEDED: &str = "Window tests need Xvfb and software OpenGL (Mesa), the VST3 test needs Python's venv, and the \
                      `standalone` feature needs pkg-config and the headers of ALSA and JACK.";

/// A package manager, what to ask it, and what to ask of it.
struct System {
    /// `ID` or `ID_LIKE` in os-release.
    ids: &'static [&'static str],
    /// Succeeds if the package named after it is known to be installed.
    query: &'static [&'static str],
    /// What the query must print, where success alone does not say that the package is installed.
    answer: Option<&'static str>,
    /// Run before packages are installed.
    refresh: Option<&'static [&'static str]>,
    install: &'static [&'static str],
    packages: &'static [&'static str],
}

const SYSTEMS: &[System] = &[
    System {
        ids: &["debian", "ubuntu"],
        query: &["dpkg-query", "--show", "--showformat=${db:Status-Status}"],
        // A package that was removed but not purged is still known.
        answer: Some("installed"),
        refresh: Some(&["apt-get", "update"]),
        install: &[
            "env",
            "DEBIAN_FRONTEND=noninteractive",
            "apt-get",
            "install",
            "--yes",
            "--no-install-recommends",
        ],
        packages: &[
            "xvfb",
            "libgl1",
            "libgl1-mesa-dri",
            "libegl1",
            "libx11-xcb1",
            "python3-venv",
            "pkg-config",
            "libasound2-dev",
            "libjack-jackd2-dev",
        ],
    },
    System {
        ids: &["fedora"],
        query: &["rpm", "--query", "--whatprovides"],
        answer: None,
        refresh: None,
        install: &["dnf", "install", "--assumeyes"],
        packages: &[
            "xorg-x11-server-Xvfb",
            "mesa-libGL",
            "mesa-libEGL",
            "mesa-dri-drivers",
            "libX11-xcb",
            "pkgconf-pkg-config",
            "alsa-lib-devel",
            "jack-audio-connection-kit-devel",
        ],
    },
    System {
        ids: &["arch"],
        query: &["pacman", "--deptest"],
        answer: None,
        refresh: None,
        install: &["pacman", "--sync", "--needed", "--noconfirm"],
        packages: &[
            "xorg-server-xvfb",
            "mesa",
            "libglvnd",
            "libx11",
            "pkgconf",
            "alsa-lib",
            "jack",
        ],
    },
];

/// Asks the package manager of this system.
pub fn missing() -> Missing {
    if !cfg!(target_os = "linux") {
        return Missing::Nothing;
    }
    let os_release = std::fs::read_to_string("/etc/os-release").unwrap_or_default();
    let ids = ids(&os_release);
    let Some(system) = SYSTEMS
        .iter()
        .find(|system| system.ids.iter().any(|id| ids.contains(id)))
    else {
        return Missing::UnknownSystem { needed: NEEDED };
    };
    let names: Vec<_> = system
        .packages
        .iter()
        .copied()
        .filter(|package| !is_installed(system, package))
        .collect();
    if names.is_empty() {
        return Missing::Nothing;
    }
    let mut install = command(system.install);
    install.args(&names);
    Missing::Packages {
        names,
        install: system
            .refresh
            .map(command)
            .into_iter()
            .chain([install])
            .collect(),
    }
}

fn is_installed(system: &System, package: &str) -> bool {
    let output = command(system.query).arg(package).output();
    output.is_ok_and(|output| {
        output.status.success()
            && system
                .answer
                .is_none_or(|answer| output.stdout.trim_ascii() == answer.as_bytes())
    })
}

fn command(words: &[&str]) -> Command {
    let mut command = Command::new(words[0]);
    command.args(&words[1..]);
    command
}

/// The system's own id first, then those that it calls itself like.
fn ids(os_release: &str) -> Vec<&str> {
    let value = |key: &str| {
        let line = os_release
            .lines()
            .find_map(|line| line.strip_prefix(key)?.strip_prefix('='));
        line.unwrap_or_default()
            .trim_matches('"')
            .split_whitespace()
    };
    value("ID").chain(value("ID_LIKE")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    // The layout of os-release(5).
    #[test]
    fn a_derived_system_is_known_by_what_it_is_like() {
        let os_release =
            "NAME=\"Some System\"\nID=somesystem\nID_LIKE=\"ubuntu debian\"\nVERSION_ID=\"12\"\n";
        assert_eq!(ids(os_release), ["somesystem", "ubuntu", "debian"]);
        assert!(ids("").is_empty());
    }
}
