//! What makes the other song the louder one: balance first, then density.

use crestline_core::measure::ChannelRole;
use crestline_core::process::ShelvesSettings;
use crestline_core::session::Section;
use crestline_core::session::reference::{Comparison, Profile, Profiler, findings};
use rig::clap_host::Result;
use songs::Song;

/// Two songs, each by its loudest 30 s.
pub struct Pair {
    pub mix: Profile,
    pub reference: Profile,
    pub comparison: Comparison,
}

impl Pair {
    /// Measures both and sets them side by side, as `crestline compare` does.
    pub fn new(mix: &Song, reference: &Song) -> Result<Self> {
        let (mix, reference) = (profile(mix)?, profile(reference)?);
        let comparison = Comparison::new(&mix, &reference);
        Ok(Self {
            mix,
            reference,
            comparison,
        })
    }

    /// The shelves that bring the mix nearest; none where none helps.
    pub fn shelves(&self) -> ShelvesSettings {
        let suggestion = self.comparison.suggestion.as_ref();
        let helps = suggestion.filter(|suggestion| suggestion.helps());
        helps.map_or_else(Default::default, |suggestion| suggestion.shelves)
    }

    /// Prints what sets them apart, the heaviest first.
    pub fn print(&self) {
        println!("{} beside {}:", self.mix.name, self.reference.name);
        for finding in findings(&self.mix, &self.reference, &self.comparison) {
            println!("  {}", finding.sentence);
        }
        println!();
    }
}

fn profile(song: &Song) -> Result<Profile> {
    let roles = [ChannelRole::Front; 2];
    let mut profiler = Profiler::new(song.sample_rate_hz, &roles, Section::Loudest);
    profiler.process(&song.channels.each_ref().map(Vec::as_slice));
    Ok(profiler.finish(song.title)?)
}
