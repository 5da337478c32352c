//! What a forecast says, in plain words.

use super::summary::{AtOneLoudness, Choice, NEXT_TO_NONE_DB, Potential, Reach, Summary};

impl Summary {
    /// The forecast in one to three sentences: where each path bends, and what the paths cost at
    /// the last loudness they were compared at. Empty where nothing can be told.
    pub fn sentence(&self) -> String {
        let at = self.at_one_loudness.last();
        let sentences = [
            self.bends(),
            at.and_then(|at| comparison(at, self.max_push_db)),
        ];
        sentences
            .into_iter()
            .flatten()
            .collect::<Vec<_>>()
            .join(" ")
    }

    fn bends(&self) -> Option<String> {
        let (clean, saturated) = (self.potential.clean?, self.potential.saturated?);
        if Bend::of(&clean) == Bend::of(&saturated) {
            let opening = opening(&clean, "", self.max_push_db);
            let [clean, saturated] = [clean, saturated].map(|path| Bend::reached(&path));
            return Some(format!("{opening}, clean{clean} or saturated{saturated}."));
        }
        let opening = opening(&clean, &Bend::reached(&clean), self.max_push_db);
        let reached = Bend::reached(&saturated);
        let saturated = match Bend::of(&saturated) {
            Bend::Start => "with the saturator every one adds less".to_owned(),
            Bend::At(tenths) => {
                format!(
                    "with the saturator the bend comes at {} dB{reached}",
                    of(tenths)
                )
            }
            Bend::Beyond => format!(
                "with the saturator the last of {} dB still adds more",
                number(self.max_push_db, 1)
            ),
        };
        Some(format!("{opening} clean; {saturated}."))
    }
}

/// A bend as it is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Bend {
    Start,
    /// Tenths of a decibel.
    At(i64),
    Beyond,
}

impl Bend {
    fn of(potential: &Potential) -> Self {
        match tenths(potential.push_db) {
            _ if potential.beyond => Self::Beyond,
            tenths if tenths <= 0 => Self::Start,
            tenths => Self::At(tenths),
        }
    }

    /// How loud it is where it bends, if there is a bend.
    fn reached(potential: &Potential) -> String {
        match Self::of(potential) {
            Self::At(_) => format!(" ({} LUFS)", number(potential.loudness_lufs, 1)),
            Self::Start | Self::Beyond => String::new(),
        }
    }
}

fn opening(potential: &Potential, reached: &str, max_push_db: f64) -> String {
    match Bend::of(potential) {
        Bend::Start => "Every decibel of push adds under half an LU".to_owned(),
        Bend::At(tenths) => format!(
            "Past {} dB of push{reached} each further decibel adds under half an LU",
            of(tenths)
        ),
        Bend::Beyond => format!(
            "The last of {} dB of push still adds half an LU or more",
            number(max_push_db, 1)
        ),
    }
}

/// Both paths at one loudness.
fn comparison(at: &AtOneLoudness, max_push_db: f64) -> Option<String> {
    let lufs = number(at.loudness_lufs, 1);
    let most = number(max_push_db, 1);
    let alone = |path: &str, choice: Choice, other: &str, reach: Reach| {
        let push = number(choice.push_db, 1);
        match reach {
            Reach::Louder => format!(
                "At {lufs} LUFS only the {path} path, at {push} dB of push: the {other} one is \
                 louder without any."
            ),
            _ => format!("Only the {path} path comes to {lufs} LUFS, at {push} dB of push."),
        }
    };
    match (at.paths.clean, at.paths.saturated) {
        (Reach::At(clean), Reach::At(saturated)) => {
            price(&clean, &saturated).map(|price| format!("At {lufs} LUFS {price}."))
        }
        (Reach::Unknown, _) | (_, Reach::Unknown) => None,
        (Reach::At(clean), other) => Some(alone("clean", clean, "saturated", other)),
        (other, Reach::At(saturated)) => Some(alone("saturated", saturated, "clean", other)),
        (Reach::Never, Reach::Never) => Some(format!(
            "Neither path comes to {lufs} LUFS within {most} dB of push."
        )),
        (Reach::Louder, Reach::Louder) => {
            Some(format!("Without any push it is louder than {lufs} LUFS."))
        }
        // One too loud and the other too quiet: there is nothing to compare.
        _ => None,
    }
}

/// What tells the paths apart, whichever of them that favours.
fn price(clean: &Choice, saturated: &Choice) -> Option<String> {
    let difference = |of: fn(&Choice) -> Option<f64>| Some(of(saturated)? - of(clean)?);
    let dynamics = difference(|choice| choice.kept_ldr_db).map(tenths);
    let heard = Choice::telling_distortion_db;
    let distortion = difference(heard).map(|db| db.round() as i64);
    let least = [clean, saturated].map(heard).into_iter().flatten();
    let none = least.fold(0.0, f64::min) <= NEXT_TO_NONE_DB;
    let path = |saturated: bool| if saturated { "saturated" } else { "clean" };
    let less = |db: i64| {
        if none {
            "adds next to no distortion".to_owned()
        } else {
            format!("adds {} dB less distortion", db.abs())
        }
    };
    let Some(dynamics) = dynamics else {
        return match distortion? {
            0 => Some("both paths add the same distortion".to_owned()),
            db => Some(format!("the {} path {}", path(db < 0), less(db))),
        };
    };
    if dynamics == 0 {
        let both = "both paths keep the same microdynamics";
        return Some(match distortion {
            None => both.to_owned(),
            Some(0) => format!("{both} for the same distortion"),
            Some(db) => format!("{both}; the {} path {}", path(db < 0), less(db)),
        });
    }
    let keeps = format!(
        "the {} path keeps {} dB more microdynamics",
        path(dynamics > 0),
        of(dynamics.abs())
    );
    // Seen from the path that keeps more.
    Some(match distortion.map(|db| db * dynamics.signum()) {
        None => keeps,
        Some(0) => format!("{keeps} for the same distortion"),
        Some(more) if more > 0 && none => {
            format!("{keeps}; the {} one {}", path(dynamics < 0), less(more))
        }
        Some(more) if more > 0 => format!("{keeps} for {more} dB more distortion"),
        Some(db) => format!("{keeps} and {}", less(db)),
    })
}

fn tenths(value: f64) -> i64 {
    (10.0 * value).round() as i64
}

fn of(tenths: i64) -> String {
    number(tenths as f64 / 10.0, 1)
}

/// With a real minus sign, and never minus zero.
fn number(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.trim_matches(['0', '.']).is_empty() => digits.to_owned(),
        Some(digits) => format!("−{digits}"),
        None => text,
    }
}

#[cfg(test)]
mod tests {
    use super::super::{PerPath, Step};
    use super::*;

    fn bend(push_db: f64) -> Potential {
        Potential {
            push_db,
            beyond: push_db >= 17.0,
            loudness_lufs: push_db - 20.0,
            plr_db: None,
            ldr_db: None,
            distortion_db: None,
            next: Step::default(),
        }
    }

    fn said(bends: [f64; 2], at: impl IntoIterator<Item = AtOneLoudness>) -> String {
        let summary = Summary {
            max_push_db: 18.0,
            potential: PerPath {
                clean: Some(bend(bends[0])),
                saturated: Some(bend(bends[1])),
            },
            at_one_loudness: at.into_iter().collect(),
            ..Summary::default()
        };
        summary.sentence()
    }

    #[expect(clippy::unnecessary_wraps, reason = "as a summary holds it")]
    fn choice(ldr_db: Option<f64>, distortion_db: Option<f64>) -> Option<Choice> {
        Some(Choice {
            push_db: 8.25,
            plr_db: None,
            short_term_plr_min_db: None,
            ldr_db,
            kept_ldr_db: ldr_db,
            distortion_db,
            turn_down: None,
        })
    }

    fn at(clean: Option<Choice>, saturated: Option<Choice>) -> AtOneLoudness {
        let [clean, saturated] =
            [clean, saturated].map(|choice| choice.map_or(Reach::Never, Reach::At));
        AtOneLoudness {
            loudness_lufs: -10.0,
            paths: PerPath { clean, saturated },
        }
    }

    #[test]
    fn it_tells_both_bends_and_what_the_louder_choice_costs() {
        let clean = choice(Some(2.3), Some(-31.0));
        let saturated = choice(Some(2.9), Some(-28.0));
        assert_eq!(
            said([5.5, 7.0], Some(at(clean, saturated))),
            "Past 5.5 dB of push (−14.5 LUFS) each further decibel adds under half an LU clean; with \
             the saturator the bend comes at 7.0 dB (−13.0 LUFS). At −10.0 LUFS the saturated path \
             keeps 0.6 dB more microdynamics for 3 dB more distortion."
        );
    }

    #[test]
    fn bends_are_told_wherever_they_lie() {
        assert_eq!(
            said([5.51, 5.49], None),
            "Past 5.5 dB of push each further decibel adds under half an LU, clean (−14.5 LUFS) or \
             saturated (−14.5 LUFS)."
        );
        assert_eq!(
            said([0.0, 0.0], None),
            "Every decibel of push adds under half an LU, clean or saturated."
        );
        assert_eq!(
            said([0.0, 17.0], None),
            "Every decibel of push adds under half an LU clean; with the saturator the last of \
             18.0 dB still adds more."
        );
        assert_eq!(
            said([17.0, 0.0], None),
            "The last of 18.0 dB of push still adds half an LU or more clean; with the saturator \
             every one adds less."
        );
        assert_eq!(
            said([17.0, 17.0], None),
            "The last of 18.0 dB of push still adds half an LU or more, clean or saturated."
        );
        assert_eq!(Summary::default().sentence(), "");
    }

    #[test]
    fn the_comparison_follows_the_numbers_whichever_path_they_favour() {
        let compared = |clean, saturated| comparison(&at(clean, saturated), 18.0);
        let of = |clean: [f64; 2], saturated: [f64; 2]| {
            let [clean, saturated] =
                [clean, saturated].map(|[ldr, distortion]| choice(Some(ldr), Some(distortion)));
            compared(clean, saturated).unwrap()
        };
        for (clean, saturated, told) in [
            (
                [2.0, -31.0],
                [2.5, -33.0],
                "the saturated path keeps 0.5 dB more microdynamics and adds 2 dB less distortion",
            ),
            (
                [2.5, -31.0],
                [2.0, -29.0],
                "the clean path keeps 0.5 dB more microdynamics and adds 2 dB less distortion",
            ),
            (
                [2.5, -29.0],
                [2.0, -31.0],
                "the clean path keeps 0.5 dB more microdynamics for 2 dB more distortion",
            ),
            (
                [2.5, -29.0],
                [2.0, -29.4],
                "the clean path keeps 0.5 dB more microdynamics for the same distortion",
            ),
            (
                [2.0, -105.0],
                [2.0, -66.0],
                "both paths keep the same microdynamics; the clean path adds next to no distortion",
            ),
            (
                [2.0, -150.0],
                [2.5, -40.0],
                "the saturated path keeps 0.5 dB more microdynamics; the clean one adds next to no \
                 distortion",
            ),
            (
                [2.5, -150.0],
                [2.0, -85.0],
                "the clean path keeps 0.5 dB more microdynamics for the same distortion",
            ),
            (
                [2.02, -29.0],
                [2.0, -34.0],
                "both paths keep the same microdynamics; the saturated path adds 5 dB less \
                 distortion",
            ),
            (
                [2.0, -34.0],
                [2.0, -29.0],
                "both paths keep the same microdynamics; the clean path adds 5 dB less distortion",
            ),
            (
                [2.0, -29.0],
                [2.0, -29.0],
                "both paths keep the same microdynamics for the same distortion",
            ),
        ] {
            assert_eq!(of(clean, saturated), format!("At −10.0 LUFS {told}."));
        }
        assert_eq!(
            compared(choice(None, Some(-30.0)), choice(None, Some(-40.0))).unwrap(),
            "At −10.0 LUFS the saturated path adds 10 dB less distortion."
        );
        assert_eq!(
            compared(choice(Some(3.0), None), choice(Some(2.0), None)).unwrap(),
            "At −10.0 LUFS the clean path keeps 1.0 dB more microdynamics."
        );
        assert_eq!(compared(choice(None, None), choice(None, None)), None);
    }

    #[test]
    fn a_loudness_out_of_reach_is_told() {
        let there = choice(Some(2.0), Some(-30.0));
        assert_eq!(
            comparison(&at(None, there), 18.0).unwrap(),
            "Only the saturated path comes to −10.0 LUFS, at 8.2 dB of push."
        );
        assert_eq!(
            comparison(&at(there, None), 18.0).unwrap(),
            "Only the clean path comes to −10.0 LUFS, at 8.2 dB of push."
        );
        assert_eq!(
            comparison(&at(None, None), 12.0).unwrap(),
            "Neither path comes to −10.0 LUFS within 12.0 dB of push."
        );
        let louder = |mut at: AtOneLoudness| {
            at.paths.clean = Reach::Louder;
            comparison(&at, 18.0)
        };
        assert_eq!(
            louder(at(None, there)).unwrap(),
            "At −10.0 LUFS only the saturated path, at 8.2 dB of push: the clean one is louder \
             without any."
        );
        assert_eq!(louder(at(None, None)), None);
        let mut both = at(None, None);
        both.paths.saturated = Reach::Louder;
        assert_eq!(
            louder(both).unwrap(),
            "Without any push it is louder than −10.0 LUFS."
        );
    }
}
