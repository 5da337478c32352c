//! Below the balance against a reference: what sets both apart, the shelves that would help, and
//! how dense both are.

use egui::{Align2, Button, Rect, RichText, Role, Sense, Ui, WidgetInfo, pos2, vec2};
use nice_plug::prelude::Param;

use crate::editor::control;
use crate::editor::mark;
use crate::editor::number::fixed;
use crate::editor::scene::{self, Scene, small};
use crate::editor::theme::{LABEL_PT, Signal, font};
use crate::editor::view_model::reference::{self, Density};
use crestline_core::process::ShelvesSettings;
use crestline_core::session::reference::{Profile, REGIONS};

/// Space, a line that sums up, and one a finding; the plot above them is no lower than this.
const APART: f32 = GAP + SUMMARY + 4.0 * FINDING;
const GAP: f32 = 4.0;
const FINDING: f32 = 15.0;
const LEAST_PLOT_ABOVE: f32 = 76.0;
/// The plot is no lower than this while there are rows.
const LEAST_PLOT: f32 = 72.0;
const ADVICE: f32 = 24.0;
/// A line that sums up, one of names and one of figures; narrower than this they do not fit.
const DENSITY: f32 = 51.0;
const SUMMARY: f32 = 17.0;
const LEAST_WIDTH: f32 = 340.0;
const APPLY: f32 = 58.0;

/// The rows' places; `None` for what has no room.
#[derive(Clone, Copy)]
pub struct Places {
    apart: Option<Rect>,
    advice: Option<Rect>,
    density: Option<Rect>,
}

/// Divides `area` between the plot and the rows.
pub fn places(area: Rect) -> (Rect, Places) {
    let mut bottom = area.bottom();
    let mut take = |height: f32| {
        let top = bottom - height;
        (top - area.top() >= LEAST_PLOT).then(|| {
            let place = area.with_min_y(top).with_max_y(bottom);
            bottom = top;
            place
        })
    };
    let wide = area.width() >= LEAST_WIDTH;
    let room = |height: f32| wide && area.height() >= height + ADVICE;
    // What sets both apart names the densities as well, where they do.
    let apart = room(LEAST_PLOT_ABOVE + APART);
    let density = room(if apart {
        LEAST_PLOT_ABOVE + APART + DENSITY
    } else {
        LEAST_PLOT + DENSITY
    });
    let density = if density { take(DENSITY) } else { None };
    let advice = take(ADVICE);
    let apart = if apart { take(APART) } else { None };
    let places = Places {
        apart,
        advice,
        density,
    };
    (area.with_max_y(bottom), places)
}

/// Draws what there is room for.
pub fn show(ui: &mut Ui, places: Places, scene: &Scene<'_>, of: &Profile) {
    let Places {
        apart: findings,
        advice,
        density,
    } = places;
    if let Some(place) = findings {
        apart(ui, place, scene, of);
    }
    if let Some(place) = advice {
        shelves(ui, place, scene, of);
    }
    if let Some(place) = density {
        dense(ui, place, scene, of);
    }
}

/// What sets mix and reference apart.
fn apart(ui: &Ui, place: Rect, scene: &Scene<'_>, of: &Profile) {
    let colours = scene::colours(ui);
    let same = is_same(scene, of);
    let beside = scene.reference.found();
    let words = reference::apart_in_words(beside, of, same, scene.forecast.is_possible());
    let place = place.with_min_y(place.top() + GAP);
    line(ui, place.with_max_y(place.top() + SUMMARY), &words, "apart");
    let findings = beside.filter(|_| !same).map_or(&[][..], |of| &of.findings);
    let rows = findings.iter().enumerate().map(|(index, finding)| {
        let top = place.top() + SUMMARY + index as f32 * FINDING;
        (
            index,
            finding,
            place.with_min_y(top).with_max_y(top + FINDING),
        )
    });
    // As wide as the longest of them, at whatever size it is written.
    let mut right = place.left();
    for (_, finding, row) in rows.clone() {
        let about = reference::about(finding);
        let at = row.left_center();
        let written = small(ui.painter(), at, Align2::LEFT_CENTER, about, colours.label);
        right = right.max(written.right());
    }
    for (index, finding, row) in rows {
        let at = pos2(right + 12.0, row.center().y);
        let room = row.right() - at.x;
        scene::cut(ui.painter(), at, &finding.brief, room, colours.text);
        let response = ui.interact(row, ui.scope_id().with(("apart", index)), Sense::HOVER);
        response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &finding.sentence));
        response.on_hover_text(&finding.sentence);
    }
}

/// Whether the song so far measures as the reference does, and is what the chain as it is set makes.
fn is_same(scene: &Scene<'_>, of: &Profile) -> bool {
    let steady = &scene.changes.steady;
    steady.is_all_of(&scene.params.chain_settings()) && reference::is_same(scene.told, of)
}

/// A line that sums up.
fn line(ui: &Ui, place: Rect, words: &str, id: &str) {
    let colours = scene::colours(ui);
    let at = place.left_center();
    scene::cut(ui.painter(), at, words, place.width(), colours.label);
    let response = ui.interact(place, ui.scope_id().with(id), Sense::HOVER);
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, words));
}

/// What would help, and a button that does it.
fn shelves(ui: &mut Ui, place: Rect, scene: &Scene<'_>, of: &Profile) {
    let colours = scene::colours(ui);
    let same = is_same(scene, of);
    let set = scene.params.chain_settings().shelves;
    let possible = scene.forecast.is_possible();
    let mut advice = reference::advice(scene.reference.found(), same, possible, &set);
    if scene.reference.is_of_before() && advice.apply.is_some() {
        advice = advice.before_the_change();
    }
    let room = if advice.apply.is_some() {
        place.with_max_x(place.right() - APPLY - 8.0)
    } else {
        place
    };
    let at = room.left_center();
    let words = scene::fitting(ui.painter(), &advice.words, &advice.short, room.width());
    scene::cut(ui.painter(), at, words, room.width(), colours.text);
    let response = ui.interact(room, ui.scope_id().with("advice"), Sense::HOVER);
    let words = format!("Suggested shelves: {}", advice.words);
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &words));
    response.on_hover_text(format!(
        "{}\nShelves of at most 6 dB that bring this balance nearest to the reference's, in the \
         place of those that are set. The difference is one of shape, over the third octaves.",
        advice.words
    ));
    let Some(shelves) = advice.apply else { return };
    let button = Rect::from_min_max(pos2(place.right() - APPLY, place.top() + 2.0), place.max);
    let text = RichText::new("apply").font(font(ui.ctx(), LABEL_PT));
    let response = ui
        .put(
            button.with_max_y(place.bottom() - 2.0),
            Button::new(text).small(),
        )
        .accessible_name("Apply the suggested shelves");
    let tip = "Sets the chain's shelves; undo takes it back.";
    if control::tip(response, tip).clicked() {
        apply(scene, &shelves);
    }
}

fn apply(scene: &Scene<'_>, wanted: &ShelvesSettings) {
    let shelves = &scene.params.shelves;
    for (gain, corner, gain_db, hz) in [
        (
            &shelves.low_gain,
            &shelves.low_corner,
            wanted.low_gain_db,
            wanted.low_hz,
        ),
        (
            &shelves.high_gain,
            &shelves.high_corner,
            wanted.high_gain_db,
            wanted.high_hz,
        ),
    ] {
        control::set(scene.setter, gain, gain.preview_normalized(gain_db as f32));
        // Where a shelf that does nothing would begin does not matter.
        if gain_db != 0.0 {
            control::set(scene.setter, corner, corner.preview_normalized(hz as f32));
        }
    }
}

/// Crest factors in four bands, mix and reference.
fn dense(ui: &Ui, place: Rect, scene: &Scene<'_>, of: &Profile) {
    let colours = scene::colours(ui);
    let density = reference::density(scene.reference.found(), of);
    let painter = ui.painter();
    let (known, possible) = (
        scene.reference.found().is_some(),
        scene.forecast.is_possible(),
    );
    let words = reference::density_in_words(&density, of, known, possible);
    line(ui, place.with_max_y(place.top() + SUMMARY), &words, "dense");
    let top = place.top() + SUMMARY;
    let width = place.width() / 4.0;
    for (index, ([ours, theirs], (_, name))) in density.iter().zip(REGIONS).enumerate() {
        let left = place.left() + index as f32 * width;
        let cell = Rect::from_min_max(pos2(left, top), pos2(left + width, place.bottom()));
        let at = pos2(left, top + 8.0);
        let name = name.strip_prefix("from ").unwrap_or(name);
        small(painter, at, Align2::LEFT_CENTER, name, colours.label);
        let mut x = left;
        for (figure, ink, signal) in [
            (ours, colours.output, Some(Signal::Output)),
            (theirs, colours.reference, None),
        ] {
            let centre = pos2(x + 4.0, top + 24.0);
            match signal {
                Some(signal) => mark::paint(painter, signal, centre, 7.0, ink.mark),
                None => mark::diamond(painter, centre, 7.0, ink.mark, true),
            }
            let at = centre + vec2(8.0, 0.0);
            let written = small(
                painter,
                at,
                Align2::LEFT_CENTER,
                fixed(*figure, 1),
                ink.text,
            );
            x = written.right() + 8.0;
        }
        told(ui, cell, index, [*ours, *theirs]);
    }
}

fn told(ui: &Ui, cell: Rect, index: usize, [ours, theirs]: Density) {
    let region = REGIONS.get(index).map_or("", |(_, name)| name);
    let words = format!(
        "Density {region}: crest factor {} dB in the mix, {} dB in the reference",
        fixed(ours, 1),
        fixed(theirs, 1)
    );
    let response = ui.interact(cell, ui.scope_id().with(("density", index)), Sense::HOVER);
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &words));
    response.on_hover_text(format!(
        "{words}: of single seconds true peak less RMS, and of these the mean over the middle half. \
         The smaller, the denser."
    ));
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whatever the place, the plot keeps a height at which it can be read, and the rows theirs.
    #[test]
    fn the_plot_keeps_its_height_beside_any_rows() {
        let rows = |height: f32| {
            let area = Rect::from_min_size(pos2(0.0, 0.0), vec2(LEAST_WIDTH, height));
            let (plot, places) = places(area);
            let taken = [places.apart, places.advice, places.density];
            let taken: f32 = taken.iter().flatten().map(Rect::height).sum();
            assert!((plot.height() + taken - height).abs() < 0.01, "{height}");
            (plot.height(), places)
        };
        let mut shown = 0;
        for height in 72..500_u16 {
            let (plot, places) = rows(height.into());
            // Nothing that is there goes as the window grows.
            let rows = [places.apart, places.advice, places.density];
            let rows = rows.iter().flatten().count();
            assert!(rows >= shown, "{height}");
            shown = rows;
            let least = if places.apart.is_some() {
                LEAST_PLOT_ABOVE
            } else {
                LEAST_PLOT
            };
            assert!(plot >= least, "{height}: {plot}");
        }
        let (_, all) = rows(300.0);
        assert!(all.apart.is_some() && all.density.is_some());
    }
}
