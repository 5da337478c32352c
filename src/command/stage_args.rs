//! The settings of the stages as options of a command.

use std::str::FromStr;

use clap::builder::TypedValueParser as _;

use crestline_core::dsp::setting::Setting;
use crestline_core::process::{
    BandSettings, BandsSettings, ChainSettings, LimiterSettings, PushSettings, Release,
    SaturatorSettings, ShelvesSettings,
};

/// A number that clap takes only within a setting's range, with the range in its message.
pub(super) fn within(setting: Setting) -> impl clap::builder::TypedValueParser<Value = f64> {
    clap::builder::StringValueParser::new().try_map(move |text| {
        let value = f64::from_str(text.trim())
            .map_err(|_| format!("“{text}” is not a number; give one without a unit"))?;
        if setting.holds(value) {
            Ok(value)
        } else {
            Err(outside(value, setting))
        }
    })
}

fn outside(value: f64, Setting { min, max, .. }: Setting) -> String {
    format!("{value} is not within {min} to {max}")
}

/// An option's help, with the setting's range and default.
fn help(what: &str, unit: &str, Setting { min, max, default }: Setting) -> String {
    format!("{what}, {min} to {max} {unit} [default: {default}]")
}

/// A command's help, with what `--bands` takes in the place of `{BANDS}`.
pub(super) fn with_bands(help: &str) -> String {
    help.replacen("{BANDS}", &bands_help(), 1)
}

/// What `--bands` takes, with the ranges and what is meant where something is left out.
fn bands_help() -> String {
    let range = |Setting { min, max, .. }: Setting, unit: &str| format!("{min} to {max}{unit}");
    let [low, middle, high] = BandsSettings::CROSSOVERS_HZ.map(|of| range(of, ""));
    format!(
        "\
Bands (--bands): four bands, low to high, separated by commas; each is
  THRESHOLD_DB:RATIO[:KNEE_DB[:ATTACK_MS[:RELEASE_MS[:MAKEUP_DB]]]]   or  off
for example  --bands -30:2,-28:2:6:20:200,off,off
Threshold {}, ratio {}, knee {} [{} dB where left out],
attack {} [{} ms], release {} [{} ms], make-up {} [{} dB].
Crossovers {low}, {middle} and {high} Hz.",
        range(BandSettings::THRESHOLD_DB, " dB"),
        range(BandSettings::RATIO, ""),
        range(BandSettings::KNEE_DB, " dB"),
        BandSettings::KNEE_DB.default,
        range(BandSettings::ATTACK_MS, " ms"),
        BandSettings::ATTACK_MS.default,
        range(BandSettings::RELEASE_MS, " ms"),
        BandSettings::RELEASE_MS.default,
        range(BandSettings::MAKEUP_DB, " dB"),
        BandSettings::MAKEUP_DB.default,
    )
}

/// Options that set the chain. Whatever begins with a minus is let through to every parser, for the
/// message with the range.
#[derive(clap::Args, Debug)]
pub(super) struct StageArgs {
    #[arg(
        long,
        help = help("Gain into the chain", "dB", PushSettings::PUSH_DB),
        value_name = "DB",
        allow_hyphen_values = true,
        value_parser = within(PushSettings::PUSH_DB),
    )]
    push_db: Option<f64>,
    #[arg(
        long,
        help = help("Gain of the low shelf", "dB", ShelvesSettings::GAIN_DB),
        value_name = "DB",
        allow_hyphen_values = true,
        value_parser = within(ShelvesSettings::GAIN_DB),
    )]
    low_shelf_db: Option<f64>,
    #[arg(
        long,
        help = help("Corner of the low shelf", "Hz", ShelvesSettings::LOW_HZ),
        value_name = "HZ",
        allow_hyphen_values = true,
        value_parser = within(ShelvesSettings::LOW_HZ),
    )]
    low_shelf_hz: Option<f64>,
    #[arg(
        long,
        help = help("Gain of the high shelf", "dB", ShelvesSettings::GAIN_DB),
        value_name = "DB",
        allow_hyphen_values = true,
        value_parser = within(ShelvesSettings::GAIN_DB),
    )]
    high_shelf_db: Option<f64>,
    #[arg(
        long,
        help = help("Corner of the high shelf", "Hz", ShelvesSettings::HIGH_HZ),
        value_name = "HZ",
        allow_hyphen_values = true,
        value_parser = within(ShelvesSettings::HIGH_HZ),
    )]
    high_shelf_hz: Option<f64>,
    /// Compress in four bands, low to high (described at the end of --help)
    #[arg(long, value_name = "BANDS", allow_hyphen_values = true, value_parser = parse_bands)]
    bands: Option<[BandSettings; 4]>,
    #[arg(
        long,
        help = format!(
            "Crossovers between the bands, Hz [default: {}]",
            BandsSettings::CROSSOVERS_HZ.map(|of| of.default.to_string()).join(",")
        ),
        value_name = "HZ,HZ,HZ",
        allow_hyphen_values = true,
        value_parser = parse_crossovers,
    )]
    crossovers_hz: Option<[f64; 3]>,
    /// Bend the top few decibels
    #[arg(long)]
    saturate: bool,
    #[arg(
        long,
        help = help("How far below the ceiling bending begins", "dB", SaturatorSettings::SHOULDER_DB),
        value_name = "DB",
        allow_hyphen_values = true,
        value_parser = within(SaturatorSettings::SHOULDER_DB),
    )]
    shoulder_db: Option<f64>,
    #[arg(
        long,
        help = help("How much sooner positive halves are bent (even harmonics)", "%", SaturatorSettings::LEAN_PERCENT),
        value_name = "PERCENT",
        allow_hyphen_values = true,
        value_parser = within(SaturatorSettings::LEAN_PERCENT),
    )]
    lean_percent: Option<f64>,
    #[arg(
        long,
        help = help("Share of the bent signal", "%", SaturatorSettings::BLEND_PERCENT),
        value_name = "PERCENT",
        allow_hyphen_values = true,
        value_parser = within(SaturatorSettings::BLEND_PERCENT),
    )]
    blend_percent: Option<f64>,
    /// Leave the limiter out: peaks may pass the ceiling
    #[arg(long)]
    no_limiter: bool,
    #[arg(
        long,
        help = help("True peak that the limiter keeps and the saturator's curve ends at", "dBTP", LimiterSettings::CEILING_DBTP),
        value_name = "DBTP",
        allow_hyphen_values = true,
        value_parser = within(LimiterSettings::CEILING_DBTP),
    )]
    ceiling_dbtp: Option<f64>,
    #[arg(
        long,
        help = format!(
            "Release time constant, {} to {} ms; left out, it follows the programme",
            LimiterSettings::RELEASE_MS.min,
            LimiterSettings::RELEASE_MS.max
        ),
        value_name = "MS",
        allow_hyphen_values = true,
        value_parser = within(LimiterSettings::RELEASE_MS),
    )]
    release_ms: Option<f64>,
    #[arg(
        long,
        help = help("Share of the other channel's reduction that a channel takes over", "%", LimiterSettings::LINK_PERCENT),
        value_name = "PERCENT",
        allow_hyphen_values = true,
        value_parser = within(LimiterSettings::LINK_PERCENT),
    )]
    link_percent: Option<f64>,
}

impl StageArgs {
    /// Whether the output goes through the saturator.
    pub fn saturates(&self) -> bool {
        self.saturate
    }

    /// What is wrong where an option was given that would change nothing: the option, why, and what
    /// to do. `saturates` where the saturator runs whether or not it is switched on.
    pub fn without_effect(&self, saturates: bool) -> Option<String> {
        let saturates = saturates || self.saturate;
        let needs = [
            (
                "--low-shelf-hz",
                self.low_shelf_hz.is_some(),
                "--low-shelf-db",
                self.low_shelf_db.is_some(),
            ),
            (
                "--high-shelf-hz",
                self.high_shelf_hz.is_some(),
                "--high-shelf-db",
                self.high_shelf_db.is_some(),
            ),
            (
                "--crossovers-hz",
                self.crossovers_hz.is_some(),
                "--bands",
                self.bands.is_some(),
            ),
            (
                "--shoulder-db",
                self.shoulder_db.is_some(),
                "--saturate",
                saturates,
            ),
            (
                "--lean-percent",
                self.lean_percent.is_some(),
                "--saturate",
                saturates,
            ),
            (
                "--blend-percent",
                self.blend_percent.is_some(),
                "--saturate",
                saturates,
            ),
        ];
        for (option, given, needed, present) in needs {
            if given && !present {
                return Some(format!(
                    "{option} changes nothing without {needed}; add {needed} or leave {option} out"
                ));
            }
        }
        let of_the_limiter = [
            // The saturator's curve ends at the ceiling too.
            ("--ceiling-dbtp", self.ceiling_dbtp.is_some() && !saturates),
            ("--release-ms", self.release_ms.is_some()),
            ("--link-percent", self.link_percent.is_some()),
        ];
        of_the_limiter
            .iter()
            .find(|(_, given)| *given && self.no_limiter)
            .map(|(option, _)| {
                format!("{option} changes nothing with --no-limiter; leave one of the two out")
            })
    }

    /// The chain they stand for.
    pub fn settings(&self) -> ChainSettings {
        let shelves = ShelvesSettings::default();
        let saturator = SaturatorSettings::default();
        let limiter = LimiterSettings::default();
        let bands = BandsSettings::default();
        ChainSettings {
            push: PushSettings {
                push_db: self.push_db.unwrap_or(PushSettings::PUSH_DB.default),
            },
            shelves: ShelvesSettings {
                low_hz: self.low_shelf_hz.unwrap_or(shelves.low_hz),
                low_gain_db: self.low_shelf_db.unwrap_or(shelves.low_gain_db),
                high_hz: self.high_shelf_hz.unwrap_or(shelves.high_hz),
                high_gain_db: self.high_shelf_db.unwrap_or(shelves.high_gain_db),
            },
            bands: BandsSettings {
                on: self.bands.is_some(),
                crossovers_hz: self.crossovers_hz.unwrap_or(bands.crossovers_hz),
                bands: self.bands.unwrap_or_default(),
            },
            saturator: SaturatorSettings {
                enabled: self.saturate,
                shoulder_db: self.shoulder_db.unwrap_or(saturator.shoulder_db),
                lean_percent: self.lean_percent.unwrap_or(saturator.lean_percent),
                blend_percent: self.blend_percent.unwrap_or(saturator.blend_percent),
            },
            limiter: LimiterSettings {
                enabled: !self.no_limiter,
                ceiling_dbtp: self.ceiling_dbtp.unwrap_or(limiter.ceiling_dbtp),
                release: self.release_ms.map_or(Release::Automatic, Release::Manual),
                link_percent: self.link_percent.unwrap_or(limiter.link_percent),
            },
        }
    }
}

fn parse_bands(text: &str) -> Result<[BandSettings; 4], String> {
    let bands: Vec<BandSettings> = text.split(',').map(parse_band).collect::<Result<_, _>>()?;
    let count = bands.len();
    bands
        .try_into()
        .map_err(|_| format!("four bands are needed, low to high; {count} were given"))
}

/// `THRESHOLD:RATIO[:KNEE[:ATTACK[:RELEASE[:MAKEUP]]]]` or `off`.
fn parse_band(text: &str) -> Result<BandSettings, String> {
    let mut band = BandSettings::default();
    if text.trim() == "off" {
        return Ok(BandSettings {
            enabled: false,
            ..band
        });
    }
    let fields: [(&str, &mut f64, Setting); 6] = [
        (
            "threshold",
            &mut band.threshold_db,
            BandSettings::THRESHOLD_DB,
        ),
        ("ratio", &mut band.ratio, BandSettings::RATIO),
        ("knee", &mut band.knee_db, BandSettings::KNEE_DB),
        ("attack", &mut band.attack_ms, BandSettings::ATTACK_MS),
        ("release", &mut band.release_ms, BandSettings::RELEASE_MS),
        ("make-up", &mut band.makeup_db, BandSettings::MAKEUP_DB),
    ];
    let values: Vec<&str> = text.split(':').collect();
    if !(2..=fields.len()).contains(&values.len()) {
        return Err(format!(
            "“{text}” is no band: THRESHOLD_DB:RATIO at least, or off"
        ));
    }
    for ((name, field, setting), value) in fields.into_iter().zip(values) {
        let value: f64 = value.trim().parse().map_err(|_| {
            format!("{name}: “{value}” is not a number; a band that is off is off alone")
        })?;
        if !setting.holds(value) {
            return Err(format!("{name}: {}", outside(value, setting)));
        }
        *field = value;
    }
    Ok(band)
}

fn parse_crossovers(text: &str) -> Result<[f64; 3], String> {
    let corners: Vec<f64> = text
        .split(',')
        .map(|corner| {
            corner
                .trim()
                .parse()
                .map_err(|_| format!("“{corner}” is not a frequency"))
        })
        .collect::<Result<_, _>>()?;
    let corners = <[f64; 3]>::try_from(corners)
        .map_err(|given| format!("three frequencies are needed; {} were given", given.len()))?;
    for (hz, setting) in corners.into_iter().zip(BandsSettings::CROSSOVERS_HZ) {
        if !setting.holds(hz) {
            return Err(outside(hz, setting));
        }
    }
    Ok(corners)
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Parser)]
    struct Command {
        #[command(flatten)]
        stages: StageArgs,
    }

    /// Each option has a value of its own.
    #[test]
    fn every_option_reaches_its_setting() {
        let text = "command --push-db 4.5 --low-shelf-db -2.5 --low-shelf-hz 95 \
                    --high-shelf-db 1.5 --high-shelf-hz 7500 \
                    --bands -31:2:7:21:210:1,-32:3:8:22:220:2,off,-34:5:10:24:240:4 \
                    --crossovers-hz 110,900,5500 --saturate --shoulder-db 4 --lean-percent 30 \
                    --blend-percent 80 --ceiling-dbtp -1.5 --release-ms 120 --link-percent 60";
        let mut expected = kit::settings::all_different();
        expected.bands.bands[2] = BandSettings {
            enabled: false,
            ..BandSettings::default()
        };
        let settings = |text: &str| {
            let command = Command::try_parse_from(text.split_whitespace()).unwrap();
            command.stages.settings()
        };
        assert_eq!(settings(text), expected);
        let without = ChainSettings {
            limiter: LimiterSettings::default(),
            ..ChainSettings::default()
        };
        assert_eq!(settings("command"), without);
        assert!(!settings("command --no-limiter").limiter.enabled);
    }

    #[test]
    fn bands_are_read_with_and_without_their_tails() {
        let bands = parse_bands("-30:2,-28:3:6:20:200:1.5,off,-20:10").unwrap();
        assert_eq!((bands[0].threshold_db, bands[0].ratio), (-30.0, 2.0));
        assert_eq!((bands[1].release_ms, bands[1].makeup_db), (200.0, 1.5));
        assert!(bands[0].enabled && !bands[2].enabled);
        for wrong in [
            "-30:2",
            "-30,off,off,off",
            "-90:2,off,off,off",
            "a:2,off,off,off",
            "",
        ] {
            assert!(parse_bands(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn each_crossover_has_a_range_of_its_own() {
        assert_eq!(
            parse_crossovers("120, 1000,6000"),
            Ok([120.0, 1_000.0, 6_000.0])
        );
        assert!(parse_crossovers("1000,120,6000").is_err());
        // The ranges meet.
        assert!(parse_crossovers("400,400,3000").is_ok());
        assert!(parse_crossovers("120,1000").is_err());
    }
}
