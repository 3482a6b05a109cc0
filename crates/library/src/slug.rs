//! Names of recordings: plain enough for every file system, every shell and the address of a page.

use channels::edit_distance;

/// Longest name. Leaves room for long folders on systems that take 260 characters in a path.
pub(crate) const MAX_NAME: usize = 60;

/// Device names that no file may have on Windows, whatever its extension.
///
/// # Source
/// Microsoft, *Naming Files, Paths, and Namespaces* (from memory).
fn is_reserved(name: &str) -> bool {
    let numbered = |stem: &str| {
        name.strip_prefix(stem).is_some_and(|n| n.len() == 1 && n.bytes().all(|b| b.is_ascii_digit()))
    };
    matches!(name, "con" | "prn" | "aux" | "nul" | "conin" | "conout") || numbered("com") || numbered("lpt")
}

/// Name of a recording made of any text: lower-case letters, digits and single hyphens, at most 60 characters.
///
/// Letters of other scripts are written in Latin ones. Empty when the text has no letter or digit at all.
///
/// ```
/// assert_eq!(library::slug("Übung zwei – Änderung am Stabi (3)"), "ubung-zwei-anderung-am-stabi-3");
/// assert_eq!(library::slug("con"), "con-recording");
/// ```
#[must_use]
pub fn slug(text: &str) -> String {
    let mut name = String::new();
    for c in deunicode::deunicode(text).chars() {
        if c.is_ascii_alphanumeric() {
            name.push(c.to_ascii_lowercase());
        } else if !name.is_empty() && !name.ends_with('-') && c != '\'' {
            name.push('-');
        }
    }
    let name = shortened(&name, MAX_NAME);
    if is_reserved(name) { format!("{name}-recording") } else { name.to_owned() }
}

/// The first names to try: `name`, `name-2`, `name-3`, …
pub(crate) fn candidates(hint: &str) -> impl Iterator<Item = String> {
    let base = Some(slug(hint)).filter(|s| !s.is_empty()).unwrap_or_else(|| "recording".to_owned());
    (1_u32..).map(move |n| match n {
        1 => base.clone(),
        _ => {
            let ending = format!("-{n}");
            format!("{}{ending}", shortened(&base, MAX_NAME - ending.len()))
        }
    })
}

/// ASCII text cut to `len`, without hyphens at its end.
fn shortened(name: &str, len: usize) -> &str {
    name[..name.len().min(len)].trim_end_matches('-')
}

/// The name most like `wanted`.
pub(crate) fn nearest(wanted: &str, names: impl IntoIterator<Item = String>) -> Option<String> {
    names.into_iter().min_by_key(|n| edit_distance(wanted, n))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn names_of_all_kinds() {
        for (text, name) in [
            ("Evening Two", "evening-two"),
            ("  --a__b..c//d\\e  ", "a-b-c-d-e"),
            ("../../etc/passwd", "etc-passwd"),
            ("driver's best.csv", "drivers-best-csv"),
            ("LPT1", "lpt1-recording"),
            ("aux.", "aux-recording"),
            ("com10", "com10"),
            ("Žluťoučký kůň", "zlutoucky-kun"),
            ("Вечер", "vecher"),
            ("", ""),
            ("…!?", ""),
        ] {
            assert_eq!(slug(text), name, "{text}");
        }
    }

    #[test]
    fn numbers_keep_the_length() {
        let long = "a".repeat(200);
        let names: Vec<_> = candidates(&long).take(12).collect();
        assert!(names.iter().all(|n| n.len() <= MAX_NAME));
        assert_eq!(names[0], "a".repeat(MAX_NAME));
        assert!(names[11].ends_with("a-12"));
        assert_eq!(candidates("!").next().as_deref(), Some("recording"));
    }

    #[test]
    fn the_nearest_name_is_the_one_with_fewest_edits() {
        let names = ["evening-one", "evening-two", "morning"].map(str::to_owned);
        assert_eq!(nearest("evning-two", names).as_deref(), Some("evening-two"));
        assert_eq!(edit_distance("kitten", "sitting"), 3);
        assert_eq!(nearest("x", []), None);
    }

    proptest! {
        #[test]
        fn any_text_gives_a_safe_name_that_stays(text in "\\PC{0,80}") {
            let name = slug(&text);
            prop_assert!(name.len() <= MAX_NAME + "-recording".len());
            prop_assert!(name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-'));
            prop_assert!(!name.starts_with('-') && !name.ends_with('-') && !name.contains("--"));
            prop_assert!(!is_reserved(&name));
            prop_assert_eq!(slug(&name), name);
        }
    }
}
