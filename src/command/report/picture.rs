//! The pictures of the page, as SVG that stands in its text.

use std::error::Error;
use std::ops::Range;

use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::{
    Cartesian2d, ChartBuilder, ChartContext, Circle, Color as _, DrawingArea, EmptyElement,
    IntoDrawingArea as _, IntoFont as _, LineSeries, PathElement, Polygon, RGBColor, Rectangle,
    SVGBackend, SeriesLabelPosition, Text,
};
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::html::text;
use super::record::at_equal_loudness;
use super::song::Song;
use crestline_core::measure::{BAND_COUNT, nominal_hz};
use crestline_core::session::TargetWindow;
use crestline_core::session::reference::{Figures, Profile};

/// Stands for the colour of the page's text, which follows light and dark.
const INK: RGBColor = RGBColor(1, 2, 3);
const INK_SVG: &str = "#010203";
/// Blue, vermilion, bluish green and orange of the palette of Okabe and Ito, which colour-blind
/// eyes tell apart; the marks differ in shape as well.
const BLUE: RGBColor = RGBColor(0, 114, 178);
const VERMILION: RGBColor = RGBColor(213, 94, 0);
const GREEN: RGBColor = RGBColor(0, 158, 115);
const ORANGE: RGBColor = RGBColor(230, 159, 0);
const FONT: (&str, i32) = ("sans-serif", 15);
/// Points of a curve at most: what is denser cannot be seen.
const MOST_POINTS: usize = 600;
/// Below this length times are written in seconds.
const SHORT_S: f64 = 20.0;

type Drawn<T> = Result<T, Box<dyn Error>>;
type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

/// What a picture is called, and what it shows in words.
struct Caption<'a> {
    id: &'a str,
    title: &'a str,
    description: &'a str,
}

fn figure(
    caption: &Caption<'_>,
    size: (u32, u32),
    draw: impl FnOnce(&Area<'_>) -> Drawn<()>,
) -> Drawn<String> {
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, size).into_drawing_area();
        draw(&area)?;
        area.present()?;
    }
    let inside = svg.split_once('>').map_or("", |(_, inside)| inside);
    let (width, height) = size;
    let Caption {
        id,
        title,
        description,
    } = caption;
    Ok(format!(
        "<figure>\n<svg viewBox=\"0 0 {width} {height}\" role=\"img\" aria-labelledby=\"{id}-title {id}-desc\">\n\
         <title id=\"{id}-title\">{}</title>\n<desc id=\"{id}-desc\">{}</desc>\n{}</figure>\n",
        text(title),
        text(description),
        inside.replace(INK_SVG, "currentColor")
    ))
}

fn chart<'a, 'b>(
    area: &'a Area<'b>,
    [across, up]: [&str; 2],
    [x, y]: [Range<f64>; 2],
    x_label: &dyn Fn(&f64) -> String,
) -> Drawn<Chart<'a, 'b>> {
    let mut chart = ChartBuilder::on(area)
        .margin(10)
        .x_label_area_size(44)
        .y_label_area_size(60)
        .build_cartesian_2d(x, y)?;
    chart
        .configure_mesh()
        .x_desc(across)
        .y_desc(up)
        .x_label_formatter(x_label)
        .axis_style(INK)
        .bold_line_style(INK.mix(0.15))
        .light_line_style(INK.mix(0.05))
        .label_style(FONT.into_font().color(&INK))
        .draw()?;
    Ok(chart)
}

/// What was read at a time, if anything.
type Reading = (f64, Option<f64>);

/// The range of values and a margin around it, in whole units; something where there are none.
fn range(values: impl Iterator<Item = f64>, margin: f64) -> Range<f64> {
    let (low, high) = values.fold((f64::MAX, f64::MIN), |(low, high), value| {
        (low.min(value), high.max(value))
    });
    if low > high {
        return 0.0..1.0;
    }
    (low - margin).floor()..(high + margin).ceil()
}

/// A curve, broken off at each gap and thinned out: the value of each stretch that lies furthest out.
fn curve(points: &[Reading], furthest: fn(f64, f64) -> bool) -> Vec<Vec<(f64, f64)>> {
    let stretch = points.len().div_ceil(MOST_POINTS).max(1);
    let known = points.split(|(_, value)| value.is_none());
    let thinned = known.map(|points| {
        let chosen = points.chunks(stretch).filter_map(|chunk| {
            let values = chunk.iter().filter_map(|(x, y)| Some((*x, (*y)?)));
            values.reduce(|a, b| if furthest(b.1, a.1) { b } else { a })
        });
        chosen.collect::<Vec<_>>()
    });
    let drawn = thinned.map(|points| match points[..] {
        // A line has two ends: it takes the second of which this is the reading.
        [(x, y)] => vec![(x - 1.0, y), (x, y)],
        _ => points,
    });
    drawn.collect()
}

/// Short-term loudness and short-term PLR over the song's time.
pub(super) fn history(song: &Song, id: &str) -> Drawn<String> {
    let end_s = song
        .history
        .last()
        .map_or(1.0, |moment| moment.time_s)
        .max(1.0);
    let history = song.history.iter();
    let loudness = history.clone().map(|m| (m.time_s, m.short_term_lufs));
    let loudness: Vec<Reading> = loudness.collect();
    let plr: Vec<Reading> = history.map(|m| (m.time_s, m.short_term_plr_db)).collect();
    let caption = Caption {
        id,
        title: "Short-term loudness and short-term PLR over time",
        description: &format!(
            "Two curves over {end_s:.0} seconds. Short-term loudness {}; short-term PLR {}.",
            between(&loudness, "LUFS"),
            between(&plr, "dB")
        ),
    };
    // Ticks of what is shorter lie less than a second apart.
    let (across, time): (_, fn(&f64) -> String) = if end_s < SHORT_S {
        ("time, s", |second| format!("{second:.1}"))
    } else {
        ("time, min:s", |second| {
            let second = second.round();
            format!("{:.0}:{:02.0}", (second / 60.0).floor(), second % 60.0)
        })
    };
    figure(&caption, (1_000, 420), |area| {
        let areas = area.split_evenly((2, 1));
        let plots = [
            (curve(&loudness, |a, b| a > b), BLUE, "short-term, LUFS"),
            (curve(&plr, |a, b| a < b), VERMILION, "short-term PLR, dB"),
        ];
        for (area, (stretches, color, up)) in areas.iter().zip(plots) {
            let y = range(stretches.iter().flatten().map(|point| point.1), 0.5);
            let mut chart = chart(area, [across, up], [0.0..end_s, y], &time)?;
            for points in stretches {
                chart.draw_series(LineSeries::new(points, color.stroke_width(2)))?;
            }
        }
        Ok(())
    })
}

fn between(points: &[Reading], unit: &str) -> String {
    let values = points.iter().filter_map(|point| point.1);
    let (low, high) = values.fold((f64::MAX, f64::MIN), |(low, high), value| {
        (low.min(value), high.max(value))
    });
    if low > high {
        "unknown".to_owned()
    } else {
        format!("from {low:.1} to {high:.1} {unit}")
    }
}

/// A mark on the plane.
struct Mark {
    at: (f64, f64),
    color: RGBColor,
    /// A diamond; otherwise a disc.
    diamond: bool,
    label: String,
    /// How far below the mark its label stands, so that those of a part and of the whole do not
    /// meet where the two lie together.
    drop: i32,
}

/// Where a part of a recording lies in it.
pub(super) fn part_in_words(part: &Figures) -> String {
    format!("{:.1} s to {:.1} s", part.start_s, part.end_s)
}

fn draw_marks(chart: &mut Chart<'_, '_>, marks: Vec<Mark>) -> Drawn<()> {
    let across = chart.x_range();
    for mark in marks {
        // A label reaches towards the middle, where there is room for it.
        let (aside, side) = if mark.at.0 > f64::midpoint(across.start, across.end) {
            (-12, HPos::Right)
        } else {
            (12, HPos::Left)
        };
        let label = FONT.into_font().color(&INK);
        let label = label.pos(Pos::new(side, VPos::Top));
        if mark.diamond {
            let corners = [(0, -8), (8, 0), (0, 8), (-8, 0)].to_vec();
            chart.draw_series([EmptyElement::at(mark.at)
                + Polygon::new(corners, mark.color.filled())
                + Text::new(mark.label, (aside, mark.drop), label)])?;
        } else {
            chart.draw_series([EmptyElement::at(mark.at)
                + Circle::new((0, 0), 7, mark.color.filled())
                + Text::new(mark.label, (aside, mark.drop), label)])?;
        }
    }
    Ok(())
}

/// The plane with the target window in it, cut to what is shown.
fn plane_chart<'a, 'b>(
    area: &'a Area<'b>,
    axes: [&str; 2],
    points: &[(f64, f64)],
    target: &TargetWindow,
) -> Drawn<Chart<'a, 'b>> {
    let ends = [target.loudness_lufs.low, target.loudness_lufs.high];
    let heights = [target.plr_db.low, target.plr_db.high];
    let x = range(
        points.iter().map(|p| p.0).chain(ends.into_iter().flatten()),
        1.0,
    );
    let y = range(
        points
            .iter()
            .map(|p| p.1)
            .chain(heights.into_iter().flatten()),
        1.0,
    );
    let window = [
        (ends[0].unwrap_or(x.start), heights[1].unwrap_or(y.end)),
        (ends[1].unwrap_or(x.end), heights[0].unwrap_or(y.start)),
    ];
    let mut chart = chart(area, axes, [x, y], &|value| format!("{value:.0}"))?;
    chart.draw_series([Rectangle::new(window, ORANGE.mix(0.25).filled())])?;
    chart.draw_series([Rectangle::new(window, ORANGE.stroke_width(1))])?;
    Ok(chart)
}

/// Where the song is: its trail and the whole of it; with a reference the parts that are compared
/// as well, and the whole of either.
pub(super) fn plane(
    song: &Song,
    reference: Option<&Profile>,
    target: &TargetWindow,
    id: &str,
) -> Drawn<String> {
    let trail: Vec<(f64, f64)> = song
        .history
        .iter()
        .filter_map(|m| Some((m.short_term_lufs?, m.short_term_plr_db?)))
        .collect();
    let mut marks = Vec::new();
    let mut words = Vec::new();
    let mut mark = |at: Option<(f64, f64)>, (what, color, diamond), (of, drop)| {
        if let Some(at) = at {
            let label = format!("{what}{of}");
            words.push(format!("{label} at {:.1} LUFS and {:.1} dB", at.0, at.1));
            marks.push(Mark {
                at,
                color,
                diamond,
                label,
                drop,
            });
        }
    };
    let at = |figures: &Figures| figures.integrated_lufs.zip(figures.plr_db);
    let whole = song.readings.integrated_lufs.zip(song.readings.plr_db);
    let own = song.against.as_ref().map(|against| &against.profile);
    let is_parted = |profile: &Profile| profile.part != profile.whole;
    let parted = own.is_some_and(is_parted) || reference.is_some_and(is_parted);
    let all = if parted { (", whole", -14) } else { ("", -6) };
    let part = (", part", 2);
    let (ours, theirs) = (("song", VERMILION, false), ("reference", GREEN, true));
    mark(whole, ours, all);
    if let Some(own) = own.filter(|own| is_parted(own)) {
        // Where the song is told as it is heard beside two channels, it is drawn as it is.
        let lift = at(&own.whole).zip(whole);
        let lift = lift.map_or((0.0, 0.0), |(own, is)| (own.0 - is.0, own.1 - is.1));
        let raw = at(&own.part).map(|(lufs, plr_db)| (lufs - lift.0, plr_db - lift.1));
        mark(raw, ours, part);
    }
    if let Some(reference) = reference {
        mark(at(&reference.whole), theirs, all);
        if is_parted(reference) {
            mark(at(&reference.part), theirs, part);
        }
    }
    let caption = Caption {
        id,
        title: "Loudness against PLR",
        description: &format!(
            "Loudness across and PLR up, with the target window. A dot a second for the last 3 s; {}.",
            if words.is_empty() {
                "nothing else".to_owned()
            } else {
                words.join("; ")
            }
        ),
    };
    let points: Vec<_> = trail
        .iter()
        .copied()
        .chain(marks.iter().map(|mark| mark.at))
        .collect();
    figure(&caption, (1_000, 420), |area| {
        let axes = ["loudness, LUFS", "PLR, dB"];
        let mut chart = plane_chart(area, axes, &points, target)?;
        let thin = trail.len().div_ceil(MOST_POINTS).max(1);
        chart.draw_series(
            trail
                .iter()
                .step_by(thin)
                .map(|at| EmptyElement::at(*at) + Circle::new((0, 0), 2, BLUE.mix(0.6).filled())),
        )?;
        draw_marks(&mut chart, marks)
    })
}

/// Where all songs are.
pub(super) fn record_plane(songs: &[Song], target: &TargetWindow) -> Drawn<String> {
    let marks: Vec<Mark> = songs
        .iter()
        .enumerate()
        .filter_map(|(index, song)| {
            Some(Mark {
                at: (song.readings.integrated_lufs?, song.readings.plr_db?),
                color: VERMILION,
                diamond: false,
                label: (index + 1).to_string(),
                drop: -6,
            })
        })
        .collect();
    let words = marks.iter().map(|mark| {
        format!(
            "song {} at {:.1} LUFS and {:.1} dB",
            mark.label, mark.at.0, mark.at.1
        )
    });
    let caption = Caption {
        id: "record-plane",
        title: "All songs: loudness against PLR",
        description: &(words.collect::<Vec<_>>().join("; ") + "."),
    };
    let points: Vec<_> = marks.iter().map(|mark| mark.at).collect();
    figure(&caption, (1_000, 420), |area| {
        let axes = ["integrated loudness, LUFS", "PLR, dB"];
        let mut chart = plane_chart(area, axes, &points, target)?;
        draw_marks(&mut chart, marks)
    })
}

/// The third octaves of the whole song; beside a reference, those of the parts that are compared,
/// at equal loudness.
pub(super) fn balance(song: &Song, reference: Option<&Profile>, id: &str) -> Drawn<String> {
    let line = |balance_db: &[Option<f64>; BAND_COUNT], lufs: Option<f64>| -> Vec<(f64, f64)> {
        let bands = at_equal_loudness(balance_db, lufs).into_iter().enumerate();
        let known = bands.filter_map(|(band, db)| Some((band as f64, db?)));
        // What lies 60 dB under the loudness is nothing that can be heard in it.
        known.map(|(band, db)| (band, db.max(-60.0))).collect()
    };
    // Like beside like: of a song that could not be compared there is only the whole.
    let parts = song.against.as_ref().zip(reference);
    let parts = parts.map(|(against, reference)| [&against.profile.part, &reference.part]);
    let ours = match parts {
        None => line(&song.balance_db, song.readings.integrated_lufs),
        Some([ours, _]) => line(&ours.balance_db, ours.integrated_lufs),
    };
    let theirs = parts.map(|[_, theirs]| line(&theirs.balance_db, theirs.integrated_lufs));
    let [ours_name, theirs_name] =
        parts.map_or([String::new(), String::new()], |[ours, theirs]| {
            let named = |name: &str, part: &Figures| format!("{name}, {}", part_in_words(part));
            [named("song", ours), named("reference", theirs)]
        });
    let strongest = ours.iter().max_by(|a, b| a.1.total_cmp(&b.1));
    #[expect(clippy::cast_sign_loss, reason = "an index of a band")]
    let strongest = strongest.map_or("unknown".to_owned(), |(band, _)| {
        format!("strongest at {} Hz", nominal_hz(*band as usize))
    });
    let caption = Caption {
        id,
        title: "Balance in third octaves",
        description: &format!(
            "Level of each third octave from 20 Hz to 20 kHz against the loudness; the song is {strongest}.{}",
            if theirs.is_some() {
                format!(" Drawn are {ours_name}, and {theirs_name}.")
            } else {
                String::new()
            }
        ),
    };
    #[expect(clippy::cast_sign_loss, reason = "held at 0")]
    let hz = |band: &f64| nominal_hz(band.max(0.0).round() as usize).to_string();
    figure(&caption, (1_000, 380), |area| {
        let all = ours.iter().chain(theirs.iter().flatten());
        let y = range(all.map(|point| point.1), 1.0);
        let axes = ["third octave, Hz", "less loudness, dB"];
        let mut chart = chart(area, axes, [-0.5..30.5, y], &hz)?;
        let mut draw = |points: &[(f64, f64)], color: RGBColor, name: &str| -> Drawn<()> {
            chart
                .draw_series(LineSeries::new(
                    points.iter().copied(),
                    color.stroke_width(2),
                ))?
                .label(name)
                .legend(move |(x, y)| {
                    PathElement::new([(x, y), (x + 18, y)], color.stroke_width(3))
                });
            Ok(())
        };
        draw(&ours, BLUE, &ours_name)?;
        if let Some(theirs) = &theirs {
            draw(theirs, GREEN, &theirs_name)?;
            let diamonds = theirs.iter().map(|at| {
                let corners = [(0, -4), (4, 0), (0, 4), (-4, 0)].to_vec();
                EmptyElement::at(*at) + Polygon::new(corners, GREEN.filled())
            });
            chart.draw_series(diamonds)?;
            chart
                .configure_series_labels()
                .position(SeriesLabelPosition::LowerMiddle)
                .label_font(FONT.into_font().color(&INK))
                .border_style(INK.mix(0.3))
                .draw()?;
        }
        Ok(())
    })
}
