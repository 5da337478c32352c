//! The curves as a picture: loudness over push, and microdynamics over loudness.

use std::error::Error;

use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::{
    Cartesian2d, ChartBuilder, ChartContext, Circle, Color as _, DrawingArea, EmptyElement,
    IntoDrawingArea as _, IntoFont as _, LineSeries, PathElement, RGBColor, Rectangle, SVGBackend,
    SeriesLabelPosition, Text, WHITE,
};
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::report::Report;
use crestline_core::session::forecast::{Path, Point, Potential};

const SIZE: (u32, u32) = (1_200, 560);
/// Blue and vermilion of the palette of Okabe and Ito, which colour-blind eyes tell apart; the
/// marks differ in shape as well.
const CLEAN: RGBColor = RGBColor(0, 114, 178);
const SATURATED: RGBColor = RGBColor(213, 94, 0);
const INK: RGBColor = RGBColor(60, 60, 60);
const FONT: &str = "sans-serif";
/// What is left free around the curves, in units of the axis.
const MARGIN: f64 = 0.5;

type Result<T> = std::result::Result<T, Box<dyn Error>>;
type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;
type Where = fn(&Point, Path) -> Option<(f64, f64)>;

/// Where a curve's points lie, and what stands at the axes.
struct Plot {
    caption: &'static str,
    across: &'static str,
    up: &'static str,
    at: Where,
    bend: fn(&Potential) -> Option<(f64, f64)>,
}

const PLOTS: [Plot; 2] = [
    Plot {
        caption: "what a decibel of push adds",
        across: "push, dB",
        up: "integrated loudness, LUFS",
        at: |point, path| Some((point.push_db, path.of(point).integrated_lufs?)),
        bend: |bend| Some((bend.push_db, bend.loudness_lufs)),
    },
    Plot {
        caption: "what loudness leaves of the beat",
        across: "integrated loudness, LUFS",
        up: "microdynamics (LDR), dB",
        at: |point, path| {
            let figures = path.of(point);
            Some((figures.integrated_lufs?, figures.ldr_db?))
        },
        bend: |bend| Some((bend.loudness_lufs, bend.ldr_db?)),
    },
];

/// The picture of a forecast.
///
/// # Errors
/// What the plotting library says.
pub(super) fn svg(report: &Report) -> Result<String> {
    let mut text = String::new();
    {
        let root = SVGBackend::with_string(&mut text, SIZE).into_drawing_area();
        root.fill(&WHITE)?;
        for (plot, area) in PLOTS.iter().zip(root.split_evenly((1, 2))) {
            draw(report, plot, &area)?;
        }
        root.present()?;
    }
    Ok(text)
}

fn draw(report: &Report, plot: &Plot, area: &DrawingArea<SVGBackend<'_>, Shift>) -> Result<()> {
    let points = |path: Path| -> Vec<(f64, f64)> {
        let at = report
            .points
            .iter()
            .filter_map(|point| (plot.at)(point, path));
        at.collect()
    };
    let both = [points(Path::Clean), points(Path::Saturated)];
    let range = |of: fn(&(f64, f64)) -> f64| {
        let values = || both.iter().flatten().map(of);
        let (low, high) = (
            values().fold(f64::INFINITY, f64::min),
            values().fold(f64::NEG_INFINITY, f64::max),
        );
        // Without any point the axes stand alone.
        if low <= high {
            low - MARGIN..high + MARGIN
        } else {
            0.0..1.0
        }
    };
    let mut chart = ChartBuilder::on(area)
        .caption(plot.caption, (FONT, 20).into_font())
        .margin(16)
        .x_label_area_size(44)
        .y_label_area_size(56)
        .build_cartesian_2d(range(|at| at.0), range(|at| at.1))?;
    chart
        .configure_mesh()
        .x_desc(plot.across)
        .y_desc(plot.up)
        .label_style((FONT, 14).into_font())
        .light_line_style(WHITE)
        .draw()?;
    let potential = &report.summary.potential;
    let curves = [("clean", CLEAN), ("saturated", SATURATED)];
    let bend_at = |potential: Option<Potential>| {
        let bend = potential.filter(|bend| !bend.beyond)?;
        Some((bend, (plot.bend)(&bend)?))
    };
    let bends = [potential.clean, potential.saturated].map(bend_at);
    let [clean, saturated] = bends.map(|bend| bend.map_or(f64::NEG_INFINITY, |(_, at)| at.1));
    let clean_is_higher = clean >= saturated;
    for (((name, color), bend), points) in curves.into_iter().zip(bends).zip(&both) {
        let line = LineSeries::new(points.iter().copied(), color.stroke_width(2));
        chart
            .draw_series(line)?
            .label(name)
            .legend(move |(x, y)| PathElement::new([(x, y), (x + 18, y)], color.stroke_width(3)));
        marks(&mut chart, points, color, name == "clean")?;
        if let Some((bend, at)) = bend {
            let text = format!("{name}: bend at {:.1} dB of push", bend.push_db);
            // Towards the middle, where there is room; above the higher mark and below the other, since
            // both may lie side by side.
            let across = chart.x_range();
            let (aside, side) = if at.0 > f64::midpoint(across.start, across.end) {
                (-12, HPos::Right)
            } else {
                (12, HPos::Left)
            };
            let (over, edge) = if (name == "clean") == clean_is_higher {
                (-4, VPos::Bottom)
            } else {
                (4, VPos::Top)
            };
            let font = (FONT, 14).into_font().color(&color);
            let mark = EmptyElement::at(at)
                + Circle::new((0, 0), 8, color.stroke_width(2))
                + Text::new(text, (aside, over), font.pos(Pos::new(side, edge)));
            chart.draw_series([mark])?;
        }
    }
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::LowerRight)
        .label_font((FONT, 14).into_font())
        .background_style(WHITE)
        .border_style(INK)
        .draw()?;
    Ok(())
}

/// A mark at each point: squares for the clean path, discs for the saturated one.
fn marks(
    chart: &mut Chart<'_, '_>,
    points: &[(f64, f64)],
    color: RGBColor,
    square: bool,
) -> Result<()> {
    let style = color.filled();
    if square {
        chart.draw_series(
            points
                .iter()
                .map(|at| EmptyElement::at(*at) + Rectangle::new([(-3, -3), (3, 3)], style)),
        )?;
    } else {
        chart.draw_series(
            points
                .iter()
                .map(|at| EmptyElement::at(*at) + Circle::new((0, 0), 3, style)),
        )?;
    }
    Ok(())
}
