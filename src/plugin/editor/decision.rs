//! The decision: what one more decibel of push gives, clean and saturated, and what saturation is
//! worth.

use egui::{
    Align2, Button, Painter, Rect, RichText, Role, Sense, TextWrapMode, Ui, WidgetInfo, pos2, vec2,
};
use nice_plug::prelude::Param;

use super::changes::{self, Ask};
use super::control;
use super::mark;
use super::number;
use super::scene::{self, Scene, label, small};
use super::theme::{BODY_PT, Colours, FIGURE_PT, LABEL_PT, RADIUS, SMALL_PT, Signal, font};
use super::view_model::decision::{Decision, InUse, Next, decision};
use super::view_model::settings_memory::Which;

/// Height of the first line.
const HEAD: f32 = 18.0;
/// Height of a line at the bottom.
const FOOT: f32 = 17.0;
/// Where a figure ends, and its unit begins.
const FIGURE: f32 = 122.0;
/// Width of the two columns at the right.
const COLUMN: f32 = 92.0;
/// Below this width there are no columns, and what they hold is named in each row.
const NARROW: f32 = 330.0;
/// Least width in which the tenths have room.
const WITH_TENTHS: f32 = 400.0;
const TENTHS: u8 = 10;

/// The paths, each with its signal and the word for it.
const PATHS: [(Signal, &str); 2] = [(Signal::Clean, "clean"), (Signal::Output, "saturated")];

/// Draws the card.
pub fn show(ui: &mut Ui, rect: Rect, scene: &Scene<'_>) {
    let area = scene::panel(ui, rect).expand2(vec2(0.0, 4.0));
    let colours = scene::colours(ui);
    let painter = ui.painter().clone();
    let painter = &painter;
    let push_db = f64::from(scene.params.push.unmodulated_plain_value());
    let chain = InUse {
        saturated: scene.params.saturator.on.value(),
        limited: scene.params.limiter.on.value(),
        changed: scene.forecast.is_of_before(),
    };
    let forecast = scene.forecast;
    let card = decision(
        forecast.found(),
        forecast.is_possible(),
        scene.told,
        push_db,
        chain,
    );
    let columns = [area.right() - COLUMN, area.right()];
    let named = (area.width() >= NARROW).then_some(columns);
    head(painter, area, &card, named, colours);
    let lines = if area.height() >= 2.0 * FIGURE_PT + HEAD + 2.0 * FOOT {
        2
    } else {
        1
    };
    let foot_height = f32::from(lines) * FOOT;
    let rows = area
        .with_min_y(area.top() + HEAD)
        .with_max_y(area.bottom() - foot_height - 2.0);
    for (index, ((signal, name), next)) in PATHS.into_iter().zip(&card.next).enumerate() {
        let height = rows.height() / 2.0;
        let top = rows.top() + index as f32 * height;
        let row = Rect::from_x_y_ranges(rows.x_range(), top..=top + height);
        let response = ui.interact(row, ui.scope_id().with(("decision", name)), Sense::HOVER);
        response.widget_info(|| WidgetInfo::labeled(Role::Label, true, spoken(name, next, &card)));
        let figures = Figures {
            columns,
            of_before: chain.changed,
        };
        one(painter, row, signal, name, next, figures, colours);
        response.on_hover_text(
            "What the next decibel of push adds: loudness, and the change of microdynamics and \
             distortion (what no gain explains) that it costs, forecast from the last minute of \
             music at most, or from what is marked of it, both paths limited at the ceiling. There \
             is none where other instances hold all the memory for music.",
        );
    }
    let rect = area.with_min_y(area.bottom() - foot_height);
    let line = rect.with_max_y(rect.top() + FOOT);
    let right = pair(ui, line, scene, &card, chain).unwrap_or(rect.right());
    foot(ui, rect, &card, lines, right);
}

/// The button that sets up the other path, as loud, beside this one; where there is room for it and
/// for what stands at its left, and such a push. Returns where it begins.
fn pair(ui: &mut Ui, line: Rect, scene: &Scene<'_>, card: &Decision, chain: InUse) -> Option<f32> {
    let [clean, saturated] = card.fair_push_db?;
    let (path, push_db) = if chain.saturated {
        ("clean", clean)
    } else {
        ("saturated", saturated)
    };
    let other = match scene.changes.chosen().other() {
        Which::First => "first",
        Which::Second => "second",
    };
    let name = format!("{path} to {other}");
    let width = scene::wide(ui.painter(), &name, SMALL_PT) + 12.0;
    let before = line.left() + scene::wide(ui.painter(), &card.worth, LABEL_PT) + 12.0;
    let place = line
        .with_min_x(line.right() - width)
        .shrink2(vec2(0.0, 0.5));
    if place.left() < before {
        return None;
    }
    let enabled = chain.limited && !chain.changed;
    let tip = if enabled {
        let push = number::with_unit(Some(push_db), 1, "dB");
        format!(
            "Makes the {other} settings these with the saturator {}, at {push} of push: by the \
             forecast as loud as now, under the same ceiling. Go there and back to hear both; undo \
             over there takes it back.",
            if chain.saturated { "off" } else { "on" }
        )
    } else {
        "With the limiter on, and once the forecast is of what is set, this makes the other settings \
         the other path, as loud as now."
            .to_owned()
    };
    let text = RichText::new(&name).font(font(ui.ctx(), SMALL_PT));
    let button = Button::new(text)
        .small()
        .wrap_mode(TextWrapMode::Extend)
        .min_size(place.size());
    let response = ui.scope(|ui| {
        ui.spacing_mut().button_padding = vec2(4.0, 0.0);
        if !enabled {
            ui.disable();
        }
        ui.put(place, button)
    });
    let response = response.inner.accessible_name(format!("{name}, as loud"));
    if control::tip(response, &tip).clicked() {
        let saturator = f64::from(u8::from(!chain.saturated));
        let but = vec![(changes::PUSH, push_db), (changes::SATURATOR, saturator)];
        scene.changes.ask(Ask::CopyOver(but));
    }
    Some(place.left())
}

/// The title, and the names of the columns that are named.
fn head(
    painter: &Painter,
    area: Rect,
    card: &Decision,
    named: Option<[f32; 2]>,
    colours: &Colours,
) {
    let middle = area.top() + HEAD / 2.0;
    let known = card.next.iter().any(|next| next.gained_lu.is_some());
    let columns = named.filter(|_| known);
    let room = columns.map_or(area.width(), |[first, _]| {
        first - COLUMN + 8.0 - area.left()
    });
    let at = pos2(area.left(), middle);
    scene::cut(painter, at, &card.title, room, colours.text);
    for (x, name) in columns
        .into_iter()
        .flatten()
        .zip(["microdynamics", "distortion"])
    {
        let at = pos2(x, middle);
        small(painter, at, Align2::RIGHT_CENTER, name, colours.label);
    }
}

/// What saturation is worth, in so many lines; its tip is there up to `right`.
fn foot(ui: &Ui, foot: Rect, card: &Decision, lines: u8, right: f32) {
    let (painter, colours) = (ui.painter(), scene::colours(ui));
    // In fewer letters where there is little room.
    let shorter = card.fair.replace("against clean at", "at");
    let short = shorter.replace("microdynamics", "LDR");
    let short = scene::fitting(painter, &shorter, &short, foot.width());
    let fair = scene::fitting(painter, &card.fair, short, foot.width());
    let worth = card.worth.replace(", limiter on", "");
    let worth = scene::fitting(painter, &card.worth, &worth, foot.width());
    for (line, words) in (0..lines).zip([worth, fair]) {
        let at = pos2(foot.left(), foot.top() + (f32::from(line) + 0.5) * FOOT);
        scene::cut(painter, at, words, foot.width(), colours.text);
    }
    let told = foot.with_max_x(right);
    let response = ui.interact(told, ui.scope_id().with("worth"), Sense::HOVER);
    // Where one of them does not come to it there is no pair of pushes, and that is what is said.
    let pushes = card.fair_push_db.map_or_else(String::new, |pushes_db| {
        let [clean, saturated] = pushes_db.map(|db| number::with_unit(Some(db), 1, "dB"));
        format!(
            ", both at {}: clean at {clean} of push, saturated at {saturated}. Listening plays both \
             at the push that is set",
            number::with_unit(card.fair_at_lufs, 1, "LUFS")
        )
    });
    let words = format!("{}; {}{pushes}", card.worth, card.fair);
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &words));
    response.on_hover_text(words);
}

fn spoken(name: &str, next: &Next, card: &Decision) -> String {
    let [gained, microdynamics, distortion] = next.written();
    format!(
        "{}, {name}: {gained} LU, microdynamics {microdynamics}, distortion {distortion}",
        card.title
    )
}

/// How a row's figures are written.
#[derive(Clone, Copy)]
struct Figures {
    /// Where those of microdynamics and distortion end.
    columns: [f32; 2],
    /// They are of other settings than those that are set.
    of_before: bool,
}

fn one(
    painter: &Painter,
    row: Rect,
    signal: Signal,
    name: &str,
    next: &Next,
    Figures { columns, of_before }: Figures,
    colours: &Colours,
) {
    let middle = row.center().y;
    let hue = colours.hue(signal);
    let at = pos2(row.left() + 9.0, middle);
    mark::paint(painter, signal, at, 16.0, hue.mark);
    let [gained, microdynamics, distortion] = next.written();
    let unknown = next.gained_lu.is_none();
    let [ink, beside] = if unknown || of_before {
        [colours.label; 2]
    } else {
        [hue.text, colours.text]
    };
    number::right(
        painter,
        pos2(row.left() + FIGURE, middle),
        gained,
        // A dash is not what is to be seen from two metres.
        if unknown { BODY_PT } else { FIGURE_PT },
        ink,
    );
    // The unit stands on the figure's line.
    let line = middle + 0.22 * FIGURE_PT;
    let at = pos2(row.left() + FIGURE + 6.0, line);
    if !unknown {
        label(painter, at, Align2::LEFT_CENTER, "LU", colours.label);
    }
    if row.width() < NARROW {
        for (down, text) in [
            (-8.0, format!("{microdynamics} microdynamics")),
            (8.0, format!("{distortion} distortion")),
        ] {
            let at = pos2(row.right(), middle + down);
            small(painter, at, Align2::RIGHT_CENTER, text, beside);
        }
        return;
    }
    let left = row.left() + FIGURE + 34.0;
    let right = columns[0] - COLUMN + 8.0;
    if row.width() >= WITH_TENTHS {
        let place = Rect::from_x_y_ranges(left..=right, middle - 12.0..=middle - 3.0);
        tenths(painter, place, next.tenths(), hue.mark, colours);
        small(
            painter,
            pos2(left, middle + 9.0),
            Align2::LEFT_CENTER,
            name,
            colours.label,
        );
    } else {
        small(
            painter,
            pos2(row.left() + FIGURE + 6.0, middle - 8.0),
            Align2::LEFT_CENTER,
            name,
            colours.label,
        );
    }
    for (x, text) in columns.into_iter().zip([microdynamics, distortion]) {
        number::right(painter, pos2(x, middle), text, BODY_PT, beside);
    }
}

/// Ten boxes, as many filled as there are tenths.
fn tenths(
    painter: &Painter,
    place: Rect,
    filled: Option<u8>,
    mark: egui::Color32,
    colours: &Colours,
) {
    let step = place.width() / f32::from(TENTHS);
    for index in 0..TENTHS {
        let left = place.left() + f32::from(index) * step;
        let cell = Rect::from_x_y_ranges(left..=left + step - 2.0, place.y_range());
        let colour = if filled.is_some_and(|filled| index < filled) {
            mark
        } else {
            colours.track
        };
        painter.rect_filled(cell, RADIUS / 4, colour);
    }
}
