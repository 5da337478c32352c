//! What control surfaces and hosts' lists are laid out by: pages and groups. CLAP 1.2
//! (`clap/ext/remote-controls.h`, `clap/ext/params.h`, `module`) and VST3 (`ivstunits.h`).

use crate::clap::linked;
use clap_sys::ext::gui::CLAP_EXT_GUI;
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{IUnitInfo, IUnitInfoTrait};
use rig::raw_host::{RawClap, RawVst3};
use std::collections::BTreeSet;
use std::mem::MaybeUninit;

#[test]
fn every_parameter_is_on_one_page_and_every_stage_has_one() {
    let mut host = linked();
    let pages = host.pages().unwrap();
    let on_pages: Vec<_> = pages.iter().flat_map(|page| &page.params).collect();
    let params = host.params().unwrap();
    let all: BTreeSet<_> = params.iter().map(|param| param.id.get()).collect();
    let paged: BTreeSet<_> = on_pages.iter().map(|id| id.get()).collect();
    assert_eq!(paged, all);
    assert_eq!(on_pages.len(), params.len());
    let names: Vec<_> = pages.iter().map(|page| page.name.as_str()).collect();
    let stages = [
        "Push and listening",
        "Readings",
        "Before tap",
        "Shelves",
        "Bands",
        "Low band",
        "Low-mid band",
        "High-mid band",
        "High band",
        "Saturator",
        "Limiter",
    ];
    assert_eq!(names, stages);
}

#[test]
fn parameters_are_grouped_by_stage_in_both_formats() {
    let groups = [
        "",
        "Band 1",
        "Band 2",
        "Band 3",
        "Band 4",
        "Bands",
        "Before tap",
        "Limiter",
        "Readings",
        "Saturator",
        "Shelves",
    ];
    let params = linked().params().unwrap();
    let modules: BTreeSet<_> = params.iter().map(|param| param.module.as_str()).collect();
    assert_eq!(modules.into_iter().collect::<Vec<_>>(), groups);
    let host = RawVst3::inactive();
    let units = host.component.cast::<IUnitInfo>().unwrap();
    // SAFETY: places for the answers, which are filled in with success.
    #[expect(unsafe_code, reason = "a host calls through tables of C functions")]
    let names: BTreeSet<String> = unsafe {
        (0..units.getUnitCount())
            .map(|index| {
                let mut info = MaybeUninit::uninit();
                assert_eq!(units.getUnitInfo(index, info.as_mut_ptr()), 0);
                let name = String::from_utf16_lossy(&info.assume_init().name);
                name.trim_end_matches('\0').to_owned()
            })
            .collect()
    };
    for group in &groups[1..] {
        assert!(names.contains(*group), "{group}: {names:?}");
    }
}

// clap/ext/gui.h has the host's part as an extension of the host, which it may lack.
#[test]
fn a_host_without_its_part_in_windows_is_offered_none() {
    assert!(!RawClap::inactive().has_extension(CLAP_EXT_GUI));
}
