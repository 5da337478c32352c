//! Values as text, in both formats: what is written is read back, what is past a range is refused,
//! and a unit stands where the host expects it.

use crate::clap::linked;
use rig::vst3_host::Vst3Host;

/// Places in a range.
fn shares() -> impl Iterator<Item = f64> {
    (0..=500).map(|n| f64::from(n) / 500.0)
}

// clap/ext/params.h (`value_to_text`, `text_to_value`) and `ivsteditcontroller.h`
// (`getParamStringByValue`, `getParamValueByString`).
#[test]
fn what_is_written_is_read_and_written_the_same_in_both_formats() {
    let mut clap = linked();
    for param in clap.params().unwrap() {
        for share in shares() {
            let value = (param.range.end() * share).max(*param.range.start());
            let text = clap.text(param.id, value).unwrap();
            let read = clap.read(param.id, &text).unwrap().expect(&text);
            assert_eq!(clap.text(param.id, read).unwrap(), text, "{}", param.name);
        }
    }
    let vst3 = Vst3Host::new(2, 64);
    for param in vst3.params() {
        for share in shares() {
            let text = vst3.text(param.id, share);
            let read = vst3.read(param.id, &text).expect(&text);
            assert_eq!(vst3.text(param.id, read), text, "{}", param.name);
            // As a host prints it, with a unit of its own after it.
            let printed = format!("{text} {}", param.unit);
            let read = vst3.read(param.id, printed.trim()).expect(&printed);
            assert_eq!(vst3.text(param.id, read), text, "{}", param.name);
        }
    }
}

#[test]
fn units_are_told_without_a_space_before_them() {
    let host = Vst3Host::new(2, 64);
    let unit = |name: &str| host.param(name).unit;
    assert_eq!(unit("Push"), "dB");
    assert_eq!(unit("Ceiling"), "dBTP");
    assert_eq!(unit("Lean"), "%");
    // These have theirs in the text, which changes it with the value.
    assert_eq!(unit("High shelf corner"), "");
    let corner = host.param("High shelf corner");
    assert_eq!(host.text(corner.id, corner.default), "6.00 kHz");
    for param in host.params() {
        assert_eq!(param.unit.trim(), param.unit, "{}", param.name);
    }
}

#[test]
fn what_is_past_a_range_is_refused_in_both_formats() {
    let mut clap = linked();
    let vst3 = Vst3Host::new(2, 64);
    for (name, text) in [
        ("Push", "18.5"),
        ("Push", "-1 dB"),
        ("Ceiling", "1 dBTP"),
        ("Low shelf corner", "8 kHz"),
        ("Low attack", "3 s"),
        ("Lean", "loud"),
    ] {
        let id = clap.param(name).unwrap().id;
        assert_eq!(clap.read(id, text).unwrap(), None, "{name}: {text}");
        let id = vst3.param(name).id;
        assert_eq!(vst3.read(id, text), None, "{name}: {text}");
    }
}

#[test]
fn a_bare_number_below_a_range_in_hertz_is_in_kilohertz() {
    let mut clap = linked();
    let param = clap.param("High shelf corner").unwrap();
    let read = clap.read(param.id, "8").unwrap().unwrap();
    assert_eq!(clap.text(param.id, read).unwrap(), "8.00 kHz");
}
