//! What is saved with a host's session beside the parameters, read and then shown.

use crestline_core::session::Session;
use crestline_plugin::editor::install;
use egui::{Context, RawInput, Rect, pos2};
use rig::editor_stage::Stage;
use std::cell::RefCell;
use std::hint::black_box;

thread_local! {
    // The window stays, as it does in a host that loads one session after the other.
    static SHOWN: RefCell<(Context, Stage)> = RefCell::new({
        let context = Context::default();
        install(&context);
        (context, Stage::default())
    });
}

/// It is read or refused; what was read is the same after it has been written and read again, and
/// can be shown.
pub fn run(bytes: &[u8]) {
    let Ok(session) = serde_json::from_slice::<Session>(bytes) else {
        return;
    };
    let written = serde_json::to_vec(&session).unwrap();
    let again: Session = serde_json::from_slice(&written).unwrap();
    assert_eq!(session, again, "written and read again");
    SHOWN.with_borrow_mut(|(context, stage)| {
        let size = session.editor_size;
        assert!(
            size.iter()
                .all(|points| points.is_finite() && *points >= 1.0)
        );
        stage.params.session.update(|shown| *shown = session);
        let input = RawInput {
            screen_rect: Some(Rect::from_min_size(pos2(0.0, 0.0), [700.0, 480.0].into())),
            ..RawInput::default()
        };
        let mut output = context.run_ui(input, |ui| stage.draw(ui));
        output.textures_delta.clear();
        black_box(context.tessellate(output.shapes, output.pixels_per_point));
    });
}

pub fn seeds() -> Vec<Vec<u8>> {
    let plain = Session::default();
    let mut own = plain.clone();
    own.choose_own(own.target().clone());
    let mut named = own.target().clone();
    named.name = "my own".into();
    own.choose_own(named);
    let mut seeds: Vec<_> = [plain, own]
        .iter()
        .map(|session| serde_json::to_vec(session).unwrap())
        .collect();
    let [reference] = &super::kept::profile_seeds()[..] else {
        unreachable!("there is one")
    };
    let reference = String::from_utf8(reference.clone()).unwrap();
    let with_reference =
        format!(r#"{{"version": 1, "reference": {{"profile": {reference}, "file": "/a/b.wav"}}}}"#);
    seeds.push(with_reference.into_bytes());
    seeds
}
