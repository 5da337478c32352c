//! JSON that is still JSON, but not what it was.

use crate::chance::Chance;

/// What takes the place of a number or a word.
const VALUES: [&str; 16] = [
    "0",
    "-0.0",
    "1e308",
    "-1e308",
    "1e-320",
    "4294967296",
    "18446744073709551615",
    "-1",
    "null",
    "true",
    "[]",
    "{}",
    "\"\"",
    "\"\\u0000\\u202e\\ud83d\\ude00\"",
    "[[[[[[[[1]]]]]]]]",
    "\"a very long name that goes on and on and on and on and on and on and on and on and on\"",
];

/// The text with one of its plain values changed for another; as it was where there is none.
pub fn changed(text: &[u8], chance: &mut Chance) -> Vec<u8> {
    let values = plain_values(text);
    if values.is_empty() {
        return text.to_vec();
    }
    let (start, end) = *chance.one_of(&values);
    [
        &text[..start],
        chance.one_of(&VALUES).as_bytes(),
        &text[end..],
    ]
    .concat()
}

/// Where numbers, words and strings stand that follow on a colon, a comma or a bracket.
fn plain_values(text: &[u8]) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut at = 0;
    while at < text.len() {
        let byte = text[at];
        let start = at;
        at += 1;
        if byte == b'"' {
            while at < text.len() && text[at] != b'"' {
                at += if text[at] == b'\\' { 2 } else { 1 };
            }
            at = (at + 1).min(text.len());
            // A name is left as it is.
            if text[at..].iter().find(|byte| !byte.is_ascii_whitespace()) != Some(&b':') {
                found.push((start, at));
            }
        } else if byte.is_ascii_alphanumeric() || byte == b'-' {
            while at < text.len()
                && (text[at].is_ascii_alphanumeric() || b".+-".contains(&text[at]))
            {
                at += 1;
            }
            found.push((start, at));
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_found_and_names_are_not() {
        let text = br#"{"a": -1.5e3, "b c": ["d", null]}"#;
        let found: Vec<_> = plain_values(text)
            .into_iter()
            .map(|(start, end)| &text[start..end])
            .collect();
        assert_eq!(found, [&b"-1.5e3"[..], b"\"d\"", b"null"]);
    }
}
