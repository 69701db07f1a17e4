//! The order in which a person reads numbered file names: `frame9` before `frame10`.

use std::cmp::Ordering;

/// Compares runs of digits as numbers and all else as text without regard to case; names that are
/// equal so far are ordered by their bytes.
pub(super) fn compare(left: &str, right: &str) -> Ordering {
    let (mut rest_left, mut rest_right) = (left, right);
    loop {
        let (digits_left, after_left) = split_digits(rest_left);
        let (digits_right, after_right) = split_digits(rest_right);
        if !digits_left.is_empty() && !digits_right.is_empty() {
            match compare_numbers(digits_left, digits_right) {
                Ordering::Equal => (rest_left, rest_right) = (after_left, after_right),
                decided => return decided,
            }
            continue;
        }
        let mut chars_left = rest_left.chars();
        let mut chars_right = rest_right.chars();
        match (chars_left.next(), chars_right.next()) {
            (Some(a), Some(b)) => match a.to_lowercase().cmp(b.to_lowercase()) {
                Ordering::Equal => {
                    (rest_left, rest_right) = (chars_left.as_str(), chars_right.as_str());
                }
                decided => return decided,
            },
            (None, None) => return left.cmp(right),
            (None, Some(_)) => return Ordering::Less,
            (Some(_), None) => return Ordering::Greater,
        }
    }
}

fn split_digits(text: &str) -> (&str, &str) {
    let end = text
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(text.len());
    text.split_at(end)
}

/// Of any length, so without turning them into numbers.
fn compare_numbers(left: &str, right: &str) -> Ordering {
    let left = left.trim_start_matches('0');
    let right = right.trim_start_matches('0');
    left.len().cmp(&right.len()).then_with(|| left.cmp(right))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn numbers_are_read_as_numbers() {
        let mut names = [
            "frame10.png",
            "Frame9.png",
            "frame009b.png",
            "frame1.png",
            "a 2 (10).jpg",
            "a 2 (9).jpg",
            "99999999999999999999999999.png",
        ];
        names.sort_by(|a, b| compare(a, b));
        assert_eq!(
            names,
            [
                "99999999999999999999999999.png",
                "a 2 (9).jpg",
                "a 2 (10).jpg",
                "frame1.png",
                "Frame9.png",
                "frame009b.png",
                "frame10.png",
            ]
        );
    }

    proptest! {
        /// A total order, or sorting could give different orders on different runs.
        #[test]
        fn the_order_is_total(
            a in "[a0-2B.]{0,6}", b in "[a0-2B.]{0,6}", c in "[a0-2B.]{0,6}",
        ) {
            prop_assert_eq!(compare(&a, &b), compare(&b, &a).reverse());
            prop_assert_eq!(compare(&a, &b) == Ordering::Equal, a == b);
            if compare(&a, &b).is_le() && compare(&b, &c).is_le() {
                prop_assert!(compare(&a, &c).is_le());
            }
        }
    }
}
