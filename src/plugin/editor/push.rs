//! The push: its value, what it gives now, and a ruler with what each decibel of it gives.

use egui::{
    Align2, Button, Painter, Rect, RichText, Role, Sense, Stroke, StrokeKind, Ui, WidgetInfo, pos2,
    vec2,
};

use super::control::{self, Ruler};
use super::mark;
use super::number::fixed;
use super::scene::{self, Scene, label, small};
use super::theme::{Colours, FIGURE_PT, LABEL_PT, SMALL_PT, Signal, font};
use super::view_model::push::{Gained, MAX_DB, gained, gives, potential_in_words};
use super::{Action, standing};
use crestline_core::session::forecast::{LEAST_GAIN_LU, Path};
use nice_plug::prelude::Param as _;

/// Width of what stands at the left.
const LEFT: f32 = 150.0;
const HEAD: f32 = 18.0;
/// Width of the button that marks.
const MARK: f32 = 66.0;
/// Height of the ruler's track and its figures.
const FOOT: f32 = 30.0;
/// Room for a mark of the legend, and what is left between its words.
const KEY: f32 = 26.0;
/// The bars' height stands for this many LU.
const REACH_LU: f64 = 1.1;
const TIP: &str = "Drives the mix harder into the chain. Drag along the ruler, with shift to change \
                   finely; a double click on the thumb resets, a click on the value lets one be typed.";

/// Draws the push; returns what is asked of the window.
pub fn show(ui: &mut Ui, rect: Rect, scene: &Scene<'_>) -> Option<Action> {
    let area = scene::panel(ui, rect).expand2(vec2(0.0, 5.0));
    let colours = scene::colours(ui);
    let value = Rect::from_min_size(
        area.min + vec2(0.0, HEAD),
        vec2(LEFT - 16.0, (area.height() - HEAD - 34.0).clamp(38.0, 52.0)),
    );
    let plot = Rect::from_min_max(
        pos2(area.left() + LEFT + 14.0, area.top() + HEAD + 4.0),
        pos2(area.right() - 8.0, area.bottom() - FOOT),
    );
    let ruler = Ruler {
        area: plot.expand2(vec2(8.0, 0.0)).with_max_y(area.bottom()),
        ends: [plot.left(), plot.right()],
        value,
    };
    let push = &scene.params.push;
    let (response, typing) = control::ruler(ui, &ruler, scene.setter, push, TIP);
    control::focus_ring(ui, ruler.area.expand(2.0), &response);
    let painter = ui.painter();
    let at = pos2(area.left(), area.top() + HEAD / 2.0);
    label(painter, at, Align2::LEFT_CENTER, "push", colours.text);
    if !typing {
        figure(painter, value, scene, colours);
    }
    let given = gives(scene.told, &scene.params.chain_settings());
    let at = pos2(area.left(), value.bottom() + 8.0);
    label(painter, at, Align2::LEFT_CENTER, given, colours.text);
    let source = scene.forecast.source_in_words();
    let at = pos2(area.left(), value.bottom() + 24.0);
    if at.y < area.bottom() + 2.0 {
        let place = small(painter, at, Align2::LEFT_CENTER, &source, colours.label);
        ahead(ui, place, &source);
    }
    mark(ui, area, scene);
    let mut room = area.with_min_x(plot.left()).with_max_y(area.top() + HEAD);
    let overs = standing::overs(ui, room, scene);
    if let Some((left, _)) = overs {
        room.max.x = left - KEY / 2.0;
    }
    legend(ui, room, scene, colours);
    let painter = ui.painter();
    bars(painter, plot, scene, colours);
    track(painter, plot, &ruler, scene, colours);
    overs.and_then(|(_, action)| action)
}

/// What the forecast is made from, told where it is written.
fn ahead(ui: &Ui, place: Rect, source: &str) {
    let response = ui.interact(place, ui.scope_id().with("ahead"), Sense::HOVER);
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, source));
    control::tip(
        response,
        "The music that the bars, the rails and the decision are forecast from: the last minute at \
         most of what came in, 10 s at least, or the part that is marked. It is forecast anew once \
         half of it is new.",
    );
}

/// The button that marks the part of the music that is forecast.
fn mark(ui: &mut Ui, area: Rect, scene: &Scene<'_>) {
    let Some(next) = scene.forecast.next_mark() else {
        return;
    };
    let right = area.left() + LEFT - 2.0;
    let place = Rect::from_min_max(
        pos2(right - MARK, area.top() - 1.0),
        pos2(right, area.top() + HEAD - 1.0),
    );
    let text = RichText::new(next.name).font(font(ui.ctx(), SMALL_PT));
    let button = ui
        .scope(|ui| {
            if !next.enabled {
                ui.disable();
            }
            ui.put(place, Button::new(text).small())
        })
        .inner;
    if control::tip(button, next.tip).clicked() {
        scene.forecast.mark();
    }
}

fn figure(painter: &Painter, value: Rect, scene: &Scene<'_>, colours: &Colours) {
    let push_db = f64::from(scene.params.push.unmodulated_plain_value());
    let written = scene::text(
        painter,
        value.left_center(),
        Align2::LEFT_CENTER,
        fixed(Some(push_db), 1),
        FIGURE_PT,
        colours.text,
    );
    let at = pos2(written.right() + 6.0, value.center().y + 0.22 * FIGURE_PT);
    label(painter, at, Align2::LEFT_CENTER, "dB", colours.label);
}

/// What the bars are, and how far each path can go by them, where there is room for that.
fn legend(ui: &Ui, head: Rect, scene: &Scene<'_>, colours: &Colours) {
    let painter = ui.painter();
    let points = &scene.forecast.found().points;
    let playback_lufs = scene.session.playback_lufs;
    let paths = [
        (Path::Clean, Signal::Clean, "clean"),
        (Path::Saturated, Signal::Output, "saturated"),
    ];
    let told = paths.map(|(path, _, name)| {
        let words = potential_in_words(points, path, playback_lufs);
        words.map(|words| words.map(|words| format!("{name} {words}")))
    });
    let titles = if scene.forecast.is_of_before() {
        [
            "before the change, potential",
            "LU per dB before the change",
            "LU per dB, before",
        ]
    } else {
        ["LU per dB, potential", "LU gained by each dB", "LU per dB"]
    };
    let width = |text: &str| scene::wide(painter, text, SMALL_PT);
    let fits = |title: &str, names: [&str; 2]| {
        let wide: f32 = names.into_iter().map(|name| KEY + width(name)).sum();
        width(title) + wide <= head.width()
    };
    let potentials = match &told {
        [Some([clean, _]), Some([saturated, _])] => Some([clean.as_str(), saturated]),
        _ => None,
    };
    let (title, names) = potentials
        .filter(|names| fits(titles[0], *names))
        .map_or((titles[1], paths.map(|(_, _, name)| name)), |names| {
            (titles[0], names)
        });
    let names = Some(names).filter(|names| fits(title, *names));
    // With peaks over full scale beside it even the title may have no room.
    let title = [title, titles[2], ""]
        .into_iter()
        .find(|title| width(title) <= head.width())
        .unwrap_or_default();
    let y = head.center().y;
    let at = head.left_center();
    let mut x = small(painter, at, Align2::LEFT_CENTER, title, colours.label).right();
    for ((_, signal, _), name) in paths.into_iter().zip(names.into_iter().flatten()) {
        let at = pos2(x + KEY - 8.0, y);
        mark::paint(painter, signal, at, 9.0, colours.hue(signal).mark);
        let at = pos2(x + KEY, y);
        x = small(painter, at, Align2::LEFT_CENTER, name, colours.label).right();
    }
    let place = head.with_max_x(x);
    let response = ui.interact(place, ui.scope_id().with("potential"), Sense::HOVER);
    let longer: Vec<_> = told.iter().flatten().map(|[_, longer]| &**longer).collect();
    let longer = if longer.is_empty() {
        format!("not known yet: {}", fixed(None, 1))
    } else {
        longer.join("; ")
    };
    let differs = scene.forecast_differs();
    let spoken = format!("Potential{differs}: {longer}");
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &spoken));
    control::tip(
        response,
        &format!(
            "Bars: loudness that each decibel of push adds. Potential: where a path is once the next \
             decibel adds under half an LU{differs}. {longer}."
        ),
    );
}

/// Two bars a decibel, and a line at half an LU: where a bar no longer reaches it, the decibel no
/// longer pays.
fn bars(painter: &Painter, plot: Rect, scene: &Scene<'_>, colours: &Colours) {
    painter.rect_filled(plot, 2, colours.well);
    let up = |lu: f64| plot.bottom() - (lu / REACH_LU).clamp(0.0, 1.0) as f32 * plot.height();
    for (lu, name) in [(0.0, "0"), (1.0, "1")] {
        let at = pos2(plot.left() - 10.0, up(lu).min(plot.bottom() - 5.0));
        small(painter, at, Align2::RIGHT_CENTER, name, colours.label);
    }
    let points = &scene.forecast.found().points;
    let step = plot.width() / f32::from(MAX_DB);
    let push_db = f64::from(scene.params.push.unmodulated_plain_value());
    let width = ((step - 4.0) / 2.0).max(1.0);
    for (index, (path, signal)) in [
        (Path::Clean, Signal::Clean),
        (Path::Saturated, Signal::Output),
    ]
    .into_iter()
    .enumerate()
    {
        let hue = colours.hue(signal).mark;
        for Gained { from_db, lu } in gained(points, path) {
            let left = plot.left() + from_db as f32 * step + 2.0 + index as f32 * width;
            let bar = Rect::from_x_y_ranges(left..=left + width - 1.0, up(lu)..=plot.bottom());
            // What has been pushed already is behind.
            let behind = from_db + 1.0 <= push_db;
            let strength = if behind { colours.behind } else { 1.0 };
            let colour = scene::faded(hue, colours.well, strength * scene.forecast.strength());
            painter.rect_filled(bar, 0, colour);
        }
    }
    let half = up(LEAST_GAIN_LU);
    painter.add(egui::Shape::dashed_line(
        &[pos2(plot.left(), half), pos2(plot.right(), half)],
        Stroke::new(1.0, colours.text),
        5.0,
        4.0,
    ));
    let galley = painter.layout_no_wrap("half".into(), font(painter.ctx(), SMALL_PT), colours.text);
    let at = pos2(plot.right() - galley.size().x - 4.0, half - galley.size().y);
    painter.galley(at, galley, colours.text);
}

fn track(painter: &Painter, plot: Rect, ruler: &Ruler, scene: &Scene<'_>, colours: &Colours) {
    let push = &scene.params.push;
    let y = plot.bottom() + 8.0;
    let bar = Rect::from_x_y_ranges(plot.x_range(), y - 3.0..=y + 3.0);
    painter.rect_filled(bar, 3, colours.track);
    let x = ruler.x(push.unmodulated_normalized_value());
    painter.rect_filled(bar.with_max_x(x), 3, colours.level);
    let modulated = push.modulated_normalized_value();
    if (modulated - push.unmodulated_normalized_value()).abs() > 1e-4 {
        let stroke = Stroke::new(1.5, colours.text);
        painter.vline(ruler.x(modulated), y - 8.0..=y + 8.0, stroke);
    }
    painter.vline(x, plot.top()..=y, Stroke::new(1.5, colours.text));
    let thumb = Rect::from_center_size(pos2(x, y), vec2(2.0 * control::THUMB - 2.0, 16.0));
    painter.rect(
        thumb,
        4,
        colours.text,
        Stroke::new(2.0, colours.panel),
        StrokeKind::Outside,
    );
    for push_db in (0..=MAX_DB).step_by(3) {
        let x = ruler.x(push.preview_normalized(push_db.into()));
        let at = pos2(x, plot.bottom() + 24.0);
        let name = fixed(Some(push_db.into()), 0);
        scene::text(
            painter,
            at,
            Align2::CENTER_CENTER,
            name,
            LABEL_PT - 1.5,
            colours.label,
        );
    }
}
