//! Where the signals are now, where they have been, and where the whole song lies.

use egui::{
    Align2, Color32, Painter, Pos2, Rect, Role, Sense, Shape, Stroke, Ui, WidgetInfo, vec2,
};

use super::{Axes, SIGNALS, State};
use crate::editor::scene::{self, Scene};
use crate::editor::theme::{BODY_PT, Colours, LABEL_PT, Signal, font};
use crate::editor::view_model::heard::Heard;
use crate::editor::view_model::plane::{self, Place};
use crate::editor::{control, mark, number};
use crestline_core::session::PlaneMode;

/// Marks as near as this lie on each other, points.
const ON_EACH_OTHER: f32 = 14.0;

/// Draws the trails of the last minute, fading towards what can just be seen against the ground.
pub fn trails(painter: &Painter, state: &State, axes: &Axes, scene: &Scene<'_>, colours: &Colours) {
    for (signal, [across, up]) in SIGNALS.into_iter().zip(&state.trails) {
        if signal == Signal::Clean && !scene.params.saturator.on.value() {
            continue;
        }
        let hue = colours.hue(signal).mark;
        for (place, age) in plane::trail(across, up, &state.heard) {
            let strength = 1.0 - age * (1.0 - colours.behind);
            let colour = scene::faded(hue, colours.well, strength);
            let at = axes.at(place);
            match signal {
                Signal::Input => {
                    painter.circle_stroke(at, 2.1, Stroke::new(1.0, colour));
                }
                _ => mark::paint(painter, signal, at, 3.5, colour),
            }
        }
    }
}

/// Where the signals are now, and where the song lies. Without the saturator clean and output are
/// one, and drawn as one.
///
/// `thumb` is where the push stands; it is named with them, so that no name covers another, nor
/// what has been `written` already.
pub fn show(
    painter: &Painter,
    scene: &Scene<'_>,
    axes: &Axes,
    heard: &Heard,
    (thumb, written): (Option<Pos2>, Vec<Rect>),
    colours: &Colours,
) {
    let reference = references(painter, scene, axes, heard.mode(), colours);
    let song = plane::song(scene.snapshot, heard.mode()).map(|place| axes.at(place));
    if let Some(at) = song {
        let hue = colours.output;
        // A ring with a dot: neither a signal's mark nor a tick.
        painter.circle(at, 8.0, colours.well, Stroke::new(2.0, hue.mark));
        painter.circle_filled(at, 2.5, hue.mark);
    }
    let mut now = None;
    for (signal, size) in SIGNALS.into_iter().zip([13.0, 15.0, 14.0]) {
        let Some(place) = heard.place(signal) else {
            continue;
        };
        if signal == Signal::Clean && !scene.params.saturator.on.value() {
            continue;
        }
        let at = axes.at(place);
        if signal == Signal::Output {
            now = Some(at);
        }
        if signal != Signal::Input {
            painter.add(Shape::circle_filled(at, size * 0.75, colours.well));
        }
        mark::paint(painter, signal, at, size, colours.hue(signal).mark);
    }
    let heard_in_words = if plane::is_heard(scene.snapshot) {
        "now"
    } else {
        "last heard"
    };
    let push = format!("push {}", control::written(&scene.params.push));
    let mut taken: Vec<Rect> = [thumb, now, song, reference[0], reference[1]]
        .into_iter()
        .flatten()
        .map(|at| Rect::from_center_size(at, vec2(16.0, 16.0)))
        .chain(written)
        .collect();
    let named = [
        (thumb, push.as_str(), colours.text),
        (now, heard_in_words, colours.output.text),
        (song, "song so far", colours.output.text),
        (reference[0], "reference", colours.reference.text),
        (reference[1], "all of the reference", colours.reference.text),
    ];
    for (index, (at, words, ink)) in named.into_iter().enumerate() {
        let Some(at) = at else { continue };
        let alike = |(number, (other, _, other_ink)): (usize, (Option<Pos2>, &str, Color32))| {
            other.filter(|_| number != index && other_ink == ink)
        };
        let others: Vec<Pos2> = named.into_iter().enumerate().filter_map(alike).collect();
        // Of two that lie on each other one is named, and is so wherever its name stands.
        let before = named[..index].iter().filter(|(_, _, other)| *other == ink);
        if before
            .filter_map(|(other, ..)| *other)
            .any(|other| is_on(other, at))
        {
            continue;
        }
        let name = Name {
            at,
            others: &others,
            words,
            ink,
        };
        beside(painter, &name, axes.plot, colours, &mut taken);
    }
}

/// Draws the reference's part, and the outline for all of it; returns where they are.
fn references(
    painter: &Painter,
    scene: &Scene<'_>,
    axes: &Axes,
    mode: PlaneMode,
    colours: &Colours,
) -> [Option<Pos2>; 2] {
    let Some(profile) = scene.reference_profile() else {
        return [None; 2];
    };
    let hue = colours.reference;
    let places = plane::reference(&profile, mode).map(|place| Some(axes.at(place?)));
    // The part lies in front.
    for (at, filled) in places.into_iter().zip([true, false]).rev() {
        let Some(at) = at else { continue };
        mark::diamond(painter, at, 16.0, colours.well, true);
        mark::diamond(painter, at, 13.0, hue.mark, filled);
    }
    // A name is written beside what can be seen.
    places.map(|at| at.filter(|at| axes.plot.contains(*at)))
}

/// Whether two marks lie on each other.
fn is_on(one: Pos2, other: Pos2) -> bool {
    one.distance(other) < ON_EACH_OTHER
}

/// What a mark is called.
struct Name<'a> {
    at: Pos2,
    /// Marks whose names are in the same ink.
    others: &'a [Pos2],
    words: &'a str,
    ink: Color32,
}

/// Writes a mark's name beside it, on the side where it fits, covers nothing that is `taken`, and
/// cannot be read as the name of another one.
fn beside(
    painter: &Painter,
    name: &Name<'_>,
    plot: Rect,
    colours: &Colours,
    taken: &mut Vec<Rect>,
) {
    let Name { at, ink, .. } = *name;
    let galley = painter.layout_no_wrap(name.words.into(), font(painter.ctx(), LABEL_PT), ink);
    let sides = [(Align2::LEFT_CENTER, 16.0), (Align2::RIGHT_CENTER, -16.0)];
    let aside = [0.0, -17.0, 17.0, -34.0, 34.0]
        .into_iter()
        .flat_map(|down| sides.map(|(align, aside)| (align, vec2(aside, down))));
    let ends = [(Align2::CENTER_BOTTOM, -10.0), (Align2::CENTER_TOP, 10.0)];
    let above = [0.0, 12.0, -12.0, 24.0, -24.0]
        .into_iter()
        .flat_map(|aside| ends.map(|(align, down)| (align, vec2(aside, down))));
    let places = aside.chain(above);
    let place = places
        .map(|(align, by)| align.anchor_size(at + by, galley.size()))
        .find(|place| {
            let others = name.others.iter().filter(|other| !is_on(**other, at));
            let nearest = others.map(|other| place.distance_to_pos(*other));
            plot.contains_rect(*place)
                && taken.iter().all(|other| !other.intersects(*place))
                && nearest.fold(f32::INFINITY, f32::min) > place.distance_to_pos(at) + 3.0
        });
    let Some(place) = place else { return };
    painter.rect_filled(place.expand2(vec2(2.0, -2.0)), 2, colours.well);
    painter.galley(place.min, galley, ink);
    taken.push(place);
}

/// The values under the pointer, in a corner where they are not in the way.
pub fn hover(ui: &Ui, scene: &Scene<'_>, axes: &Axes, mode: PlaneMode) {
    let colours = scene::colours(ui);
    let response = ui.interact(axes.plot, ui.scope_id().with("plane"), Sense::HOVER);
    let message = |signal: Signal, name: &str| {
        let now = plane::now(scene.told, signal, mode);
        format!(
            "{name} {} LUFS, {} dB",
            number::fixed(now.map(|now| now.lufs), 1),
            number::fixed(now.map(|now| now.up_db), 1)
        )
    };
    let reference = scene.reference_profile().and_then(|profile| {
        let [part, _] = plane::reference(&profile, mode);
        let Place { lufs, up_db } = part?;
        let [lufs, up_db] = [lufs, up_db].map(|value| number::fixed(Some(value), 1));
        Some(format!(", reference {lufs} LUFS, {up_db} dB"))
    });
    let spoken = format!(
        "Plane: {}, {}{}",
        message(Signal::Input, "input"),
        message(Signal::Output, "output"),
        reference.unwrap_or_default()
    );
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, &spoken));
    let Some(at) = response.hover_pos() else {
        return;
    };
    let lufs = axes
        .across
        .value((at.x - axes.plot.left()) / axes.plot.width());
    let up = axes
        .up
        .value((axes.plot.bottom() - at.y) / axes.plot.height());
    let painter = ui.painter().with_clip_rect(axes.plot);
    painter.vline(at.x, axes.plot.y_range(), Stroke::new(1.0, colours.track));
    painter.hline(axes.plot.x_range(), at.y, Stroke::new(1.0, colours.track));
    let peaks = match mode {
        PlaneMode::Plr => format!(" · peaks {}", number::with_unit(Some(lufs + up), 1, "dBTP")),
        PlaneMode::Microdynamics => String::new(),
    };
    let text = format!(
        "{} LUFS · {} dB{peaks}",
        number::fixed(Some(lufs), 1),
        number::fixed(Some(up), 1)
    );
    let corner = axes.plot.left_bottom() + vec2(8.0, -12.0);
    scene::text(
        &painter,
        corner,
        Align2::LEFT_CENTER,
        text,
        BODY_PT,
        colours.text,
    );
}
