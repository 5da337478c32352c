//! What Crestline costs, beside a general loudness library working on the same audio in the same
//! process.
//!
//! Prints one figure a line: `bench NAME VALUE UNIT`, then what is wanted of it. Always exits with
//! 0, since a busy machine is no failure: the last line says how many figures were missed.

#![expect(clippy::print_stdout, reason = "the figures are this program's output")]

mod editor;
mod engine;
mod figures;
mod files;
mod forecast;
mod library;
mod measure;
mod programme;

use figures::Figures;

#[cfg(not(debug_assertions))]
#[global_allocator]
static ALLOCATOR: kit::allocator::Counting = kit::allocator::Counting;

fn main() {
    let programme = programme::stereo(120);
    let mut figures = Figures::default();
    measure::speed(&programme, &mut figures);
    measure::block_time(&programme, &mut figures);
    measure::growth(&mut figures);
    measure::memory(&programme, &mut figures);
    engine::cost(&programme, &mut figures);
    engine::history(&mut figures);
    forecast::cost(&programme, &mut figures);
    forecast::beside_audio(&programme, &mut figures);
    editor::frame(&programme, &mut figures);
    files::speed(&programme, &mut figures);
    figures.finish();
}
