//! Plays a reference to listen to.
//!
//! There are two places for it, so that a new one comes in while the last one fades out, by the
//! same means as every other switch of what is heard. It runs only while it is heard, and goes on
//! from where it was left. When it starts and stops is decided by settings, which come at the same
//! frame however blocks are cut, and at the ends of chunks.
//!
//! The third place is that of a reference that comes in by the side-chain (`live`).

mod live;

use self::live::Live;
use super::{EngineSpec, Stereo, range_in, range_of, silent_stereo};
use crate::handover::{AuditionLoop, AuditionReceiver, Auditioned, Parcel};
use crate::process::{Listen, ListenSettings, REFERENCES, ReferenceLoudness, References};
use std::ops::Range;

/// Places of a reference that was sent, ahead of the one that comes in.
const LOOPS: usize = REFERENCES - 1;
const LIVE: usize = LOOPS;

/// The places.
#[derive(Debug)]
pub(super) struct Audition {
    receiver: AuditionReceiver,
    places: [Place; LOOPS],
    /// The place from which a reference that was sent is heard now.
    current: Option<usize>,
    /// The place from which one is heard in this chunk, whatever the settings say meanwhile.
    in_chunk: Option<usize>,
    live: Live,
    /// The side-chain is the reference, as set last.
    live_wanted: bool,
}

#[derive(Debug)]
struct Place {
    parcel: Option<Box<Parcel>>,
    /// Frame that comes next.
    position: usize,
    runs: bool,
    signal: Stereo,
}

impl Place {
    fn audition(&self) -> Option<&AuditionLoop> {
        self.parcel.as_ref()?.audition()
    }
}

impl Audition {
    /// Allocates.
    pub fn new(receiver: AuditionReceiver, spec: EngineSpec) -> Self {
        let place = || Place {
            parcel: None,
            position: 0,
            runs: false,
            signal: silent_stereo(),
        };
        Self {
            receiver,
            places: [place(), place()],
            current: None,
            in_chunk: None,
            live: Live::new(spec),
            live_wanted: false,
        }
    }

    /// What is heard next begins anew.
    pub fn reset(&mut self) {
        for place in &mut self.places {
            (place.position, place.runs) = (0, false);
        }
        self.live.cut();
    }

    /// A chunk begins: hands back what is heard no more and takes what has been sent.
    pub fn chunk_begins(&mut self, listen: &Listen) {
        self.exchange(listen);
        self.in_chunk = self.current();
    }

    fn exchange(&mut self, listen: &Listen) {
        for (index, place) in self.places.iter_mut().enumerate() {
            let over = self.current != Some(index) && !listen.hears_reference(index);
            if over
                && self.receiver.has_room()
                && let Some(parcel) = place.parcel.take()
            {
                self.receiver.hand_back(parcel);
            }
        }
        let Some(free) = self.places.iter().position(|place| place.parcel.is_none()) else {
            return;
        };
        let Some(parcel) = self.receiver.take() else {
            return;
        };
        if parcel.audition().is_some() {
            let place = &mut self.places[free];
            (place.parcel, place.position, place.runs) = (Some(parcel), 0, false);
            self.current = Some(free);
        } else {
            self.current = None;
            self.receiver.hand_back(parcel);
        }
    }

    /// What there is to listen to in this chunk.
    pub fn references(&self) -> References {
        let loudness = |place: &Place| {
            let audition = place.audition()?;
            Some(ReferenceLoudness {
                integrated_lufs: audition.integrated_lufs(),
                behind_lufs: audition.behind_lufs(place.position),
                ahead_lufs: audition.ahead_lufs(place.position),
            })
        };
        let [first, second] = self.places.each_ref().map(loudness);
        References {
            current: self.in_chunk,
            loudness: [first, second, self.live.loudness()],
            moving: self.live.is_moving(),
        }
    }

    /// The place that a reference is heard from now: the side-chain's, once something has come in
    /// where that is wanted.
    fn current(&self) -> Option<usize> {
        let live = self.live_wanted && self.live.loudness().is_some();
        if live { Some(LIVE) } else { self.current }
    }

    /// Plays the frames of `range` within the chunk, if the reference is wanted or still heard, and
    /// takes those of the side-chain. Returns how many samples of the side-chain were no audio.
    pub fn play(&mut self, settings: ListenSettings, side: &[&[f32]], range: &Range<usize>) -> u32 {
        if settings.written {
            self.live.hold();
        } else {
            self.live_wanted = settings.side_chain;
        }
        let wanted = (settings.reference && !settings.bypass).then_some(self.in_chunk);
        let wanted = wanted.flatten();
        let live = self.live_wanted || wanted == Some(LIVE);
        let faults = self.live.take(live, side, range);
        for (index, place) in self.places.iter_mut().enumerate() {
            place.runs |= wanted == Some(index);
            let audition = place.parcel.as_deref().and_then(Parcel::audition);
            if let (true, Some(audition)) = (place.runs, audition) {
                let to = range_in(&mut place.signal, range.clone());
                place.position = audition.play(place.position, to);
            }
        }
        faults
    }

    /// The frames last played.
    pub fn signals(&self, range: &Range<usize>) -> [[&[f32]; 2]; REFERENCES] {
        let [first, second] = self.places.each_ref().map(|place| {
            if place.runs {
                range_of(&place.signal, range.clone())
            } else {
                [&[][..]; 2]
            }
        });
        [first, second, self.live.signal(range)]
    }

    /// A chunk is over.
    pub fn chunk_done(&mut self, listen: &Listen) {
        for (index, place) in self.places.iter_mut().enumerate() {
            place.runs = place.runs && listen.hears_reference(index);
        }
        self.live.chunk_done(listen.hears_reference(LIVE));
    }

    /// What is told of it.
    pub fn told(&self, listen: &Listen) -> Option<Auditioned> {
        let index = self.current()?;
        let integrated_lufs = match self.places.get(index) {
            Some(place) => place.audition()?.integrated_lufs(),
            None => self.live.loudness()?.integrated_lufs,
        };
        Some(Auditioned {
            integrated_lufs,
            match_db: listen.reference_db(index) as f32,
        })
    }
}
