//! How near a mistyped name is to a known one.

/// Number of letters to insert, delete or replace to make `b` of `a`.
///
/// # Source
/// `[Levenshtein1966]`; two-row form.
#[must_use]
pub fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, &cb) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(ca != cb);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The textbook pair and the ends of the range, by hand.
    #[test]
    fn edits_are_counted() {
        assert_eq!(edit_distance("kitten", "sitting"), 3);
        assert_eq!(edit_distance("", "abc"), 3);
        assert_eq!(edit_distance("speed", "speed"), 0);
        assert_eq!(edit_distance("sped", "speed"), 1);
    }
}
