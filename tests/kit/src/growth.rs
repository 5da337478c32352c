//! Whether something grows without end.

/// By how much something grew that was looked at time and again: from the first half (less the very
/// first look, before which all is made) to the second. The least of each counts, since what is
/// there for a while comes on top. `None` where there were too few looks to tell.
pub fn growth(looks: &[usize]) -> Option<usize> {
    let rest = looks.get(1..)?;
    let half = (rest.len() / 2).max(1);
    let early = rest.get(..half)?.iter().min()?;
    let late = rest.get(rest.len() - half..)?.iter().min()?;
    (rest.len() > 1).then(|| late.saturating_sub(*early))
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
        assert_eq!(growth(&[1, 2]), None);
    }
}
