//! Where it is paid: reduction and added distortion in four bands, and the balance by third
//! octaves.

use egui::{
    Align2, Button, Painter, Popup, PopupCloseBehavior, Rect, RichText, Role, Sense, Shape, Stroke,
    Ui, WidgetInfo, pos2, vec2,
};

use super::control::{self, Look};
use super::scene::{self, Scene, label, small};
use super::theme::{BODY_PT, Colours, SMALL_PT, Signal};
use super::view_model::bands::{self, Paid};
use super::view_model::time;
use crestline_core::session::{Pixel, Trace};

/// Length of the columns' trails, seconds.
const TRAIL_S: f64 = 10.0;
/// Points of a trail.
const TRAIL_POINTS: usize = 100;
/// Room for a column's name at its bottom, points.
const NAME_HEIGHT: f32 = 16.0;
/// What the rest of a column's height stands for, dB of reduction.
const REACH_DB: f32 = 12.0;
/// What the balance's height stands for, dB.
const BALANCE_DB: f32 = 36.0;
const HEAD: f32 = 20.0;

/// Room for the trails.
#[derive(Debug, Default)]
pub struct State {
    trails: [Trace; 4],
}

/// Draws the four columns and the balance.
pub fn show(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, state: &mut State) {
    let area = scene::panel(ui, rect).expand2(vec2(0.0, 4.0));
    let split = area.left() + 0.56 * area.width();
    columns(ui, area.with_max_x(split), scene, state);
    balance(ui, area.with_min_x(split + 18.0), scene);
}

fn columns(ui: &mut Ui, area: Rect, scene: &Scene<'_>, state: &mut State) {
    let colours = scene::colours(ui);
    let at = pos2(area.left(), area.top() + 7.0);
    label(
        ui.painter(),
        at,
        Align2::LEFT_CENTER,
        "where it is paid",
        colours.label,
    );
    let tap = scene.params.tap.on.value();
    let button = Rect::from_min_max(
        pos2(area.left() + 104.0, at.y - 10.0),
        pos2(area.right(), at.y + 9.0),
    );
    source(ui, button, scene, tap);
    let span = time::last(TRAIL_S, scene.history);
    let names = bands::names(scene.params.chain_settings().bands.crossovers_hz);
    let step = (area.width() + 8.0) / 4.0;
    for (index, (paid, name)) in bands::paid(scene.snapshot, tap)
        .into_iter()
        .zip(names)
        .enumerate()
    {
        let left = area.left() + index as f32 * step;
        let column = Rect::from_min_max(
            pos2(left, area.top() + HEAD),
            pos2(left + step - 8.0, area.bottom()),
        );
        let trace = &mut state.trails[index];
        // The history is of the chain; of what lies in front of it only the present is known.
        trace.pixels.clear();
        if !tap {
            scene
                .history
                .trace(bands::COLUMNS[index], span, TRAIL_POINTS, trace);
        }
        one(ui, column, index, &name, paid, trace);
    }
}

/// What is compared: the chain's ends, or what lies in front of the plug-in; and the settings of
/// that.
fn source(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, tap: bool) {
    let name = if tap {
        format!("{} ▾", bands::tap_in_words(scene.snapshot))
    } else {
        "own chain ▾".into()
    };
    let button = Button::new(RichText::new(name).size(SMALL_PT))
        .small()
        .truncate();
    let response = ui.put(rect, button).on_hover_text(
        "Chooses what is compared: this chain, or what lies between a tap and the input.",
    );
    Popup::menu(&response)
        .close_behavior(PopupCloseBehavior::CloseOnClickOutside)
        .show(|ui| {
            let params = &scene.params.tap;
            let mut line =
                |height: f32| ui.allocate_exact_size(vec2(300.0, height), Sense::HOVER).0;
            let [on, automatic, rest] = [line(22.0), line(22.0), line(30.0)];
            let look = Look::new(
                "the side-chain is the signal from before",
                "Compares the side-chain with the input.",
            );
            control::switch(ui, on, scene.setter, &params.on, look);
            let look = Look::new(
                "find the gain at rest",
                "Takes the gain that the signal has most of the time for the gain at rest.",
            );
            control::switch(
                ui,
                automatic,
                scene.setter,
                &params.automatic_rest,
                look.active(tap),
            );
            let by_hand = tap && !params.automatic_rest.value();
            let look =
                Look::new("gain at rest", "The gain at rest when set by hand.").active(by_hand);
            control::track(ui, rest, scene.setter, &params.rest_gain, look);
        });
}

/// One band: its name, its reduction over the last seconds hanging from the top, and both figures.
fn one(ui: &mut Ui, area: Rect, index: usize, name: &str, paid: Paid, trace: &Trace) {
    let colours = scene::colours(ui);
    let response = ui.interact(area, ui.scope_id().with(("paid", index)), Sense::HOVER);
    let [reduction, distortion] = paid.written();
    let spoken = format!("{name}: reduction {reduction}, distortion {distortion}");
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &spoken));
    let painter = ui.painter();
    let well = area.with_max_y(area.bottom() - 36.0);
    painter.rect_filled(well, 2, colours.well);
    let inside = painter.with_clip_rect(well);
    for db in [3.0, 6.0, 9.0] {
        let y = well.top() + db / REACH_DB * (well.height() - NAME_HEIGHT);
        inside.hline(well.x_range(), y, Stroke::new(1.0, colours.grid));
    }
    if trace.pixels.is_empty() {
        let depth = (paid.reduction_db.unwrap_or(0.0) as f32 / REACH_DB).clamp(0.0, 1.0)
            * (well.height() - NAME_HEIGHT);
        inside.rect_filled(
            well.with_max_y(well.top() + depth),
            0,
            colours.input.mark.gamma_multiply(0.7),
        );
    }
    hanging(&inside, well, trace, colours);
    small(
        &inside,
        well.left_bottom() + vec2(4.0, -8.0),
        Align2::LEFT_CENTER,
        name,
        colours.label,
    );
    let at = pos2(area.left(), area.bottom() - 24.0);
    scene::text(
        painter,
        at,
        Align2::LEFT_CENTER,
        reduction,
        BODY_PT,
        colours.text,
    );
    let at = pos2(area.left(), area.bottom() - 7.0);
    small(
        painter,
        at,
        Align2::LEFT_CENTER,
        format!("dist. {distortion}"),
        colours.output.text,
    );
    response.on_hover_text(
        "How far this band was turned down over the last 10 s, and below that its mean of 3 s and the distortion added to it.",
    );
}

fn hanging(painter: &Painter, well: Rect, trace: &Trace, colours: &Colours) {
    let step = well.width() / TRAIL_POINTS as f32;
    for (index, pixel) in trace.pixels.iter().enumerate() {
        if let Pixel::Values { max, .. } = *pixel
            && max > 0.05
        {
            let depth = (max / REACH_DB).clamp(0.0, 1.0) * (well.height() - NAME_HEIGHT);
            let at = pos2(well.left() + index as f32 * step, well.top());
            painter.rect_filled(
                Rect::from_min_size(at, vec2(step, depth)),
                0,
                colours.output.mark.gamma_multiply(0.8),
            );
        }
    }
}

fn balance(ui: &mut Ui, area: Rect, scene: &Scene<'_>) {
    let colours = scene::colours(ui);
    let response = ui.interact(area, ui.scope_id().with("balance"), Sense::HOVER);
    let linear = bands::linear_in_words(scene.snapshot);
    response.widget_info(|| {
        let name = "Balance by third octaves, input and output";
        let spoken = match &linear {
            Some(linear) => format!("{name}; before the input {linear}"),
            None => name.into(),
        };
        WidgetInfo::labeled(Role::Image, true, spoken)
    });
    let painter = ui.painter();
    let at = pos2(area.left(), area.top() + 7.0);
    label(
        painter,
        at,
        Align2::LEFT_CENTER,
        "balance by third octave",
        colours.label,
    );
    let plot = Rect::from_min_max(
        pos2(area.left(), area.top() + HEAD),
        area.max - vec2(0.0, 14.0),
    );
    painter.rect_filled(plot, 2, colours.well);
    let inside = painter.with_clip_rect(plot);
    for (hz, name) in [(100.0, "100"), (1_000.0, "1 k"), (10_000.0, "10 k")] {
        let x = plot.left() + bands::share_of(hz) * plot.width();
        inside.vline(x, plot.y_range(), Stroke::new(1.0, colours.grid));
        small(
            painter,
            pos2(x, plot.bottom() + 8.0),
            Align2::CENTER_CENTER,
            name,
            colours.label,
        );
    }
    for db in [-24.0, -12.0, 0.0] {
        inside.hline(
            plot.x_range(),
            height(plot, db),
            Stroke::new(1.0, colours.grid),
        );
    }
    // The input lies beneath, broad enough to be seen where nothing has changed.
    for (signal, point, width) in [
        (Signal::Input, &scene.snapshot.input, 4.0),
        (Signal::Output, &scene.snapshot.output, 1.75),
    ] {
        let colour = colours
            .hue(signal)
            .mark
            .gamma_multiply(if signal == Signal::Input { 0.6 } else { 1.0 });
        for run in bands::balance_curve(point) {
            let points = run
                .into_iter()
                .map(|(share, db)| pos2(plot.left() + share * plot.width(), height(plot, db)));
            inside.add(Shape::line(points.collect(), Stroke::new(width, colour)));
        }
    }
    // What stays between the tap and the input, as a thin line about 0 dB.
    for run in bands::linear_curve(scene.snapshot) {
        let points = run
            .into_iter()
            .map(|(share, db)| pos2(plot.left() + share * plot.width(), height(plot, db)));
        inside.add(Shape::line(
            points.collect(),
            Stroke::new(1.0, colours.text),
        ));
    }
    if let Some(linear) = linear {
        small(
            &inside,
            plot.left_bottom() + vec2(4.0, -8.0),
            Align2::LEFT_CENTER,
            format!("before: {linear}"),
            colours.text,
        );
    }
    let under = response.hover_pos().map(|at| {
        let share = ((at.x - plot.left()) / plot.width()).clamp(0.0, 1.0);
        bands::balance_in_words(scene.snapshot, share)
    });
    response.on_hover_text(format!(
        "{} Level in third octaves of the song so far, input (broad) and output, each against its own loudness; lines every 12 dB.",
        under.unwrap_or_default()
    ));
}

/// The top of the plot stands for +6 dB.
fn height(plot: Rect, db: f32) -> f32 {
    plot.top() + (6.0 - db) / BALANCE_DB * plot.height()
}
