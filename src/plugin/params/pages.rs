//! The parameters as pages of eight for control surfaces, a page a stage.

use super::{BandParams, CrestlineParams};
use nice_plug::prelude::{
    RemoteControlsContext, RemoteControlsPage as Page, RemoteControlsSection as Section,
};

impl CrestlineParams {
    /// Lays the pages out.
    pub fn pages(&self, context: &mut impl RemoteControlsContext) {
        context.add_section("Listening", |section| {
            section.add_page("Push and listening", |page| {
                page.add_param(&self.push);
                page.add_param(&self.listen);
                page.add_param(&self.reference);
                page.add_param(&self.live_reference);
                page.add_param(&self.matched);
                page.add_param(&self.bypass);
                page.add_param(&self.restart);
                page.add_param(&self.restart_on_play);
            });
            section.add_page("Readings", |page| {
                page.add_param(&self.readings.short_term);
                page.add_param(&self.readings.integrated);
                page.add_param(&self.readings.plr);
                page.add_param(&self.readings.true_peak);
                page.add_param(&self.readings.microdynamics);
                page.add_param(&self.readings.target);
            });
            section.add_page("Before tap", |page| {
                page.add_param(&self.tap.on);
                page.add_param(&self.tap.automatic_rest);
                page.add_param(&self.tap.rest_gain);
                page.add_param(&self.tap.reading);
            });
        });
        context.add_section("Chain", |section| {
            section.add_page("Shelves", |page| {
                page.add_param(&self.shelves.low_gain);
                page.add_param(&self.shelves.low_corner);
                page.add_param(&self.shelves.high_gain);
                page.add_param(&self.shelves.high_corner);
            });
            section.add_page("Bands", |page| {
                page.add_param(&self.bands.on);
                page.add_param(&self.bands.low_crossover);
                page.add_param(&self.bands.mid_crossover);
                page.add_param(&self.bands.high_crossover);
            });
            let names = ["Low band", "Low-mid band", "High-mid band", "High band"];
            for (name, band) in names.into_iter().zip(&self.band) {
                section.add_page(name, |page| band.page(page));
            }
            section.add_page("Saturator", |page| {
                page.add_param(&self.saturator.on);
                page.add_param(&self.saturator.shoulder);
                page.add_param(&self.saturator.lean);
                page.add_param(&self.saturator.blend);
            });
            section.add_page("Limiter", |page| {
                page.add_param(&self.limiter.on);
                page.add_param(&self.limiter.ceiling);
                page.add_param(&self.limiter.automatic_release);
                page.add_param(&self.limiter.release);
                page.add_param(&self.limiter.link);
            });
        });
    }
}

impl BandParams {
    fn page(&self, page: &mut impl Page) {
        page.add_param(&self.on);
        page.add_param(&self.solo);
        page.add_param(&self.threshold);
        page.add_param(&self.ratio);
        page.add_param(&self.knee);
        page.add_param(&self.attack);
        page.add_param(&self.release);
        page.add_param(&self.makeup);
    }
}
