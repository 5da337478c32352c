//! With control held down the windowing library tells a key by what a US keyboard has in its place:
//! "undo" would lie where a German one says Y, and "redo" where it says Z. Here such a key is told by
//! what is written on it. X11 only, as the library does it there alone.

use std::error::Error;

use egui::{Context, Event, Key, Plugin, RawInput};
use x11rb::connection::Connection;
use x11rb::protocol::xproto::ConnectionExt;
use x11rb::rust_connection::RustConnection;

/// The X11 numbers of the first key of each row of letters (evdev's, plus 8, on which the library
/// builds as well), and what a US keyboard has on it and those that follow.
const ROWS: [(u8, &str); 3] = [
    (24, "qwertyuiop[]"),
    (38, "asdfghjkl;'`"),
    (51, "\\zxcvbnm,./"),
];
/// Where the state of the modifiers has the keyboard's group, that is, which of two layouts is chosen
/// (X Keyboard Extension, section 2.2.2: bits 13 and 14).
const GROUP: u16 = 13;

/// Tells keys by what is written on them.
#[derive(Default)]
pub struct Letters {
    /// Opened with the first key that is asked for.
    server: Option<RustConnection>,
}

impl Plugin for Letters {
    fn debug_name(&self) -> &'static str {
        "letters"
    }

    fn input_hook(&mut self, _context: &Context, input: &mut RawInput) {
        for event in &mut input.events {
            if let Event::Key { key, modifiers, .. } = event
                && modifiers.ctrl
                && let Some(number) = number_of(*key)
                && let Some(written) = self.written_on(number)
            {
                *key = written;
            }
        }
    }
}

impl Letters {
    /// What is written on a key, if that is a letter.
    fn written_on(&mut self, number: u8) -> Option<Key> {
        let server = match self.server.take() {
            Some(server) => server,
            None => x11rb::connect(None).ok()?.0,
        };
        // The layout may be another each time; one that cannot be asked for is asked for anew.
        let keysym = keysym_of(&server, number).ok()?;
        self.server = Some(server);
        letter(keysym)
    }
}

/// The number of the key on which a US keyboard has this.
fn number_of(key: Key) -> Option<u8> {
    let symbol = key.symbol_or_name().to_ascii_lowercase();
    ROWS.into_iter()
        .find_map(|(first, row)| {
            (first..)
                .zip(row.chars())
                .find(|(_, it)| symbol == it.to_string())
        })
        .map(|(number, _)| number)
}

/// The letter of a keysym (X11 protocol, appendix A: Latin-1).
fn letter(keysym: u32) -> Option<Key> {
    let letter = char::from_u32(keysym).filter(char::is_ascii_alphabetic)?;
    Key::from_name(&letter.to_ascii_uppercase().to_string())
}

/// What a key writes without shift, in the layout that is chosen.
fn keysym_of(server: &RustConnection, number: u8) -> Result<u32, Box<dyn Error>> {
    let root = server.setup().roots.first().ok_or("no screen")?.root;
    let state = server.query_pointer(root)?.reply()?.mask;
    let group = usize::from(u16::from(state) >> GROUP & 0b11);
    let keysyms = server.get_keyboard_mapping(number, 1)?.reply()?.keysyms;
    // Two groups of two come first; of others the server tells in no fixed place.
    let place = [0, 2].get(group).ok_or("a third layout")?;
    Ok(*keysyms.get(*place).ok_or("no keysym")?)
}

#[cfg(test)]
mod tests {
    use super::*;

    // `linux/input-event-codes.h`, plus 8: KEY_Q is 16, KEY_P 25, KEY_A 30, KEY_SEMICOLON 39, KEY_Z
    // 44, KEY_Y 21, KEY_M 50, KEY_SLASH 53.
    #[test]
    fn keys_have_the_numbers_of_the_kernel() {
        let numbers = [
            (Key::Q, 16),
            (Key::P, 25),
            (Key::A, 30),
            (Key::Semicolon, 39),
            (Key::Z, 44),
            (Key::Y, 21),
            (Key::M, 50),
            (Key::Slash, 53),
        ];
        for (key, number) in numbers {
            assert_eq!(number_of(key), Some(number + 8), "{key:?}");
        }
        assert_eq!(number_of(Key::Num1), None);
        assert_eq!(number_of(Key::Escape), None);
    }

    #[test]
    fn letters_alone_are_taken() {
        assert_eq!(letter(0x7A), Some(Key::Z));
        assert_eq!(letter(0x59), Some(Key::Y));
        // Cyrillic, a digit, nothing.
        for keysym in [0x6D1, 0x31, 0] {
            assert_eq!(letter(keysym), None);
        }
    }
}
