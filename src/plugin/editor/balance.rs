//! The balance: what the chain makes of the spectrum, by third octaves.

use egui::{Align2, Rect, Role, Sense, Shape, Stroke, Ui, WidgetInfo, pos2, vec2};

use super::number;
use super::scene::{self, Scene, small};
use super::view_model::bands;

/// What the plot reaches to either side of no change, dB.
const REACH_DB: f32 = 9.0;

/// Draws the difference between output and input, each against its own loudness, into `area`.
pub fn show(ui: &Ui, area: Rect, scene: &Scene<'_>) {
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
    let painter = ui.painter();
    let plot = Rect::from_min_max(area.min + vec2(28.0, 2.0), area.max - vec2(0.0, 14.0));
    painter.rect_filled(plot, 2, colours.well);
    let inside = painter.with_clip_rect(plot);
    for (hz, name) in [
        (50.0, "50"),
        (200.0, "200"),
        (1_000.0, "1 k"),
        (5_000.0, "5 k"),
        (16_000.0, "16 kHz"),
    ] {
        let x = plot.left() + bands::share_of(hz) * plot.width();
        inside.vline(x, plot.y_range(), Stroke::new(1.0, colours.grid));
        let at = pos2(x, plot.bottom() + 8.0);
        small(painter, at, Align2::CENTER_CENTER, name, colours.label);
    }
    for db in [-6.0, 0.0, 6.0] {
        let y = height(plot, db);
        let stroke = if db == 0.0 {
            Stroke::new(1.0, colours.level)
        } else {
            Stroke::new(1.0, colours.grid)
        };
        inside.hline(plot.x_range(), y, stroke);
        let at = pos2(plot.left() - 5.0, y);
        let name = number::signed(Some(db.into()), 0);
        small(painter, at, Align2::RIGHT_CENTER, name, colours.label);
    }
    let curve = |run: Vec<(f32, f32)>, stroke: Stroke| {
        let points = run
            .into_iter()
            .map(|(share, db)| pos2(plot.left() + share * plot.width(), height(plot, db)));
        inside.add(Shape::line(points.collect(), stroke));
    };
    for run in bands::change_curve(scene.snapshot) {
        curve(run, Stroke::new(2.0, colours.output.mark));
    }
    // What stays between the tap and the input.
    for run in bands::linear_curve(scene.snapshot) {
        curve(run, Stroke::new(1.0, colours.text));
    }
    let said = match &linear {
        Some(linear) => format!("output less input; thin: before the input, {linear}"),
        None => "output less input, each against its own loudness, dB".to_owned(),
    };
    let at = plot.left_bottom() + vec2(5.0, -8.0);
    scene::cut(&inside, at, &said, plot.width() - 10.0, colours.label);
    let under = response.hover_pos().map(|at| {
        let share = ((at.x - plot.left()) / plot.width()).clamp(0.0, 1.0);
        bands::balance_in_words(scene.told, share)
    });
    response.on_hover_text(format!(
        "{} What the chain makes of the song's balance so far, in third octaves.",
        under.unwrap_or_default()
    ));
}

fn height(plot: Rect, db: f32) -> f32 {
    plot.center().y - db / REACH_DB * plot.height() / 2.0
}
