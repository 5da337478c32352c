//! The balance by third octaves: what the chain makes of it, or how it differs from the
//! reference's.

mod rows;

use egui::{Align2, Painter, Rect, Role, Sense, Shape, Stroke, Ui, WidgetInfo, pos2, vec2};

use super::scene::{self, Scene, small};
use super::theme::Colours;
use super::view_model::bands;
use super::view_model::reference::{self, Curves};
use super::{mark, number};
use crestline_core::measure::{BAND_COUNT, mid_band_hz};
use crestline_core::session::reference::Profile;

/// What the plot reaches to either side of no change, dB.
const REACH_DB: f32 = 9.0;
/// What it reaches to either side of the reference, dB.
const REFERENCE_REACH_DB: f32 = 12.0;

/// A plot of this height has room for words in it, points.
const ROOM_FOR_WORDS: f32 = 90.0;

/// Draws into `area` the difference between output and input, each against its own loudness; with a
/// reference that between either and the reference, and below it what would help.
pub fn show(ui: &mut Ui, area: Rect, scene: &Scene<'_>) {
    let Some(reference) = scene.reference_profile() else {
        return change(ui, area, scene);
    };
    scene.reference.watch();
    let (plot, rows) = rows::places(area);
    beside(ui, plot, scene, &reference);
    rows::show(ui, rows, scene, &reference);
}

/// A plot's place and what its height stands for.
#[derive(Clone, Copy)]
struct Plot {
    area: Rect,
    reach_db: f32,
}

impl Plot {
    /// May lie outside: along the edge a curve would be taken for one that was measured there.
    fn y(self, db: f32) -> f32 {
        self.area.center().y - db / self.reach_db * (self.area.height() / 2.0 - 1.0)
    }

    fn x(self, share: f32) -> f32 {
        self.area.left() + share * self.area.width()
    }

    fn line(self, painter: &Painter, run: Vec<(f32, f32)>, stroke: Stroke) {
        let points = run
            .into_iter()
            .map(|(share, db)| pos2(self.x(share), self.y(db)));
        painter.add(Shape::line(points.collect(), stroke));
    }
}

/// Draws the well with its scales; returns the plot and a painter within it.
fn plot(ui: &Ui, area: Rect, reach_db: f32) -> (Plot, Painter) {
    let colours = scene::colours(ui);
    let painter = ui.painter();
    let area = Rect::from_min_max(area.min + vec2(28.0, 2.0), area.max - vec2(0.0, 14.0));
    let plot = Plot { area, reach_db };
    painter.rect_filled(area, 2, colours.well);
    let inside = painter.with_clip_rect(area);
    for (hz, name) in [
        (50.0, "50"),
        (200.0, "200"),
        (1_000.0, "1 k"),
        (5_000.0, "5 k"),
        (16_000.0, "16 kHz"),
    ] {
        let x = plot.x(bands::share_of(hz));
        inside.vline(x, area.y_range(), Stroke::new(1.0, colours.grid));
        let at = pos2(x, area.bottom() + 8.0);
        small(painter, at, Align2::CENTER_CENTER, name, colours.label);
    }
    for db in [-6.0, 0.0, 6.0] {
        let stroke = if db == 0.0 {
            Stroke::new(1.0, colours.level)
        } else {
            Stroke::new(1.0, colours.grid)
        };
        inside.hline(area.x_range(), plot.y(db), stroke);
        let at = pos2(area.left() - 5.0, plot.y(db));
        let name = number::signed(Some(db.into()), 0);
        small(painter, at, Align2::RIGHT_CENTER, name, colours.label);
    }
    (plot, inside)
}

/// Output less input.
fn change(ui: &Ui, area: Rect, scene: &Scene<'_>) {
    let colours = scene::colours(ui);
    let response = ui.interact(area, ui.scope_id().with("balance"), Sense::HOVER);
    let linear = bands::linear_in_words(scene.told);
    response.widget_info(|| {
        let name = "Balance by third octaves, output less input";
        let spoken = match &linear {
            Some(linear) => format!("{name}; before the input {linear}"),
            None => name.into(),
        };
        WidgetInfo::labeled(Role::Image, true, spoken)
    });
    let (plot, inside) = plot(ui, area, REACH_DB);
    for run in bands::change_curve(scene.snapshot) {
        plot.line(&inside, run, Stroke::new(2.0, colours.output.mark));
    }
    // What stays between the tap and the input.
    for run in bands::linear_curve(scene.snapshot) {
        plot.line(&inside, run, Stroke::new(1.0, colours.text));
    }
    let said = match &linear {
        Some(linear) => format!("output less input; thin: before the input, {linear}"),
        None => "output less input, each against its own loudness, dB".to_owned(),
    };
    let at = plot.area.left_bottom() + vec2(5.0, -8.0);
    scene::cut(&inside, at, &said, plot.area.width() - 10.0, colours.label);
    let under = response.hover_pos().map(|at| {
        let share = ((at.x - plot.area.left()) / plot.area.width()).clamp(0.0, 1.0);
        bands::balance_in_words(scene.told, share)
    });
    response.on_hover_text(format!(
        "{} What the chain makes of the song's balance so far, in third octaves.",
        under.unwrap_or_default()
    ));
}

/// Output and input less the reference, which is the line in the middle.
fn beside(ui: &Ui, area: Rect, scene: &Scene<'_>, profile: &Profile) {
    let colours = scene::colours(ui);
    let response = ui.interact(area, ui.scope_id().with("balance"), Sense::HOVER);
    let found = scene.reference.found();
    let curves = reference::curves(scene.snapshot, found, profile);
    let spoken = format!(
        "Balance by third octaves against the reference {}, on {}",
        profile.name, curves.of
    );
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, &spoken));
    let (plot, inside) = plot(ui, area, REFERENCE_REACH_DB);
    let zero = Stroke::new(1.5, colours.reference.mark);
    inside.hline(plot.area.x_range(), plot.y(0.0), zero);
    legend(&inside, plot, &curves, colours);
    // What was measured lies behind what is to be read.
    for (bands, hue) in [
        (&curves.input, colours.input),
        (&curves.output, colours.output),
    ] {
        let raw = scene::faded(hue.mark, colours.well, colours.behind);
        for (share, db) in bands::runs(*bands).into_iter().flatten() {
            inside.circle_filled(pos2(plot.x(share), plot.y(db)), 1.5, raw);
        }
    }
    for (bands, hue, width) in [
        (&curves.input, colours.input, 1.0),
        (&curves.output, colours.output, 2.5),
    ] {
        for run in bands::runs(reference::smoothed(bands)) {
            plot.line(&inside, run, Stroke::new(width, hue.mark));
        }
    }
    if let Some(at) = response.hover_pos() {
        let share = ((at.x - plot.area.left()) / plot.area.width()).clamp(0.0, 1.0);
        #[expect(clippy::cast_sign_loss, reason = "a share is not negative")]
        let band = (share * (BAND_COUNT - 1) as f32).round() as usize;
        response.on_hover_text(format!(
            "{} At equal loudness, on {}; thin: the input; dots: the bands as measured.",
            reference::band_in_words(&curves, band, mid_band_hz(band)),
            curves.of
        ));
    }
}

/// Names the line in the middle, and says what the curves are, on the side on which the output's
/// lows and mids mostly are not.
fn legend(inside: &Painter, plot: Plot, curves: &Curves, colours: &Colours) {
    let at = plot.area.right_center() - vec2(9.0, 0.0);
    mark::diamond(inside, at, 9.0, colours.reference.mark, true);
    // In a low plot there is little room; the button above it names the reference.
    let words = if plot.area.height() < ROOM_FOR_WORDS {
        "mix less reference, dB".to_owned()
    } else {
        format!(
            "mix less the reference at equal loudness, dB · {}",
            curves.of
        )
    };
    let beginning = curves.output.iter().take(BAND_COUNT * 2 / 3).flatten();
    let at = if beginning.sum::<f32>() < 0.0 {
        plot.area.left_top() + vec2(5.0, 9.0)
    } else {
        plot.area.left_bottom() + vec2(5.0, -9.0)
    };
    scene::cut(inside, at, &words, plot.area.width() - 10.0, colours.label);
}
