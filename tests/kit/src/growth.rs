//! Whether something grows without end.

/// Looks in each half from which on growth is told.
pub const LEAST_LOOKS: usize = 3;

/// By how much something grew that was looked at time and again: from the first half (less the very
/// first look, before which all is made) to the second. The least of each counts, since what is
/// there for a while comes on top. `None` where a half has fewer than [`LEAST_LOOKS`]: all of so few
/// may have had something on top.
pub fn growth(looks: &[usize]) -> Option<usize> {
    let rest = looks.get(1..)?;
    let half = rest.len() / 2;
    let early = rest.get(..half)?.iter().min()?;
    let late = rest.get(rest.len() - half..)?.iter().min()?;
    (half >= LEAST_LOOKS).then(|| late.saturating_sub(*early))
}

#[cfg(test)]
mod tests {
    use super::growth;

    #[test]
    fn growth_is_that_of_what_stays() {
        let steady = [90, 50, 70, 50, 60, 50, 80, 50, 50];
        assert_eq!(growth(&steady), Some(0));
        let leaking: Vec<usize> = (0..24)
            .map(|look| 100 + 10 * look + (look % 3) * 50)
            .collect();
        assert!(growth(&leaking) > Some(100));
        assert_eq!(growth(&[90, 50, 54, 60]), None);
    }
}
