//! Three-valued logic (Kleene): unknown is not false.

/// True, false, or not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Truth {
    /// It is so.
    True,
    /// It is not so.
    False,
    /// Nobody can say.
    #[default]
    Unknown,
}

impl Truth {
    /// A fact.
    pub fn of(fact: bool) -> Self {
        if fact { Self::True } else { Self::False }
    }

    /// Kleene AND: false dominates.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        match (self, other) {
            (Self::False, _) | (_, Self::False) => Self::False,
            (Self::True, Self::True) => Self::True,
            _ => Self::Unknown,
        }
    }

    /// Kleene OR: true dominates.
    #[must_use]
    pub fn or(self, other: Self) -> Self {
        match (self, other) {
            (Self::True, _) | (_, Self::True) => Self::True,
            (Self::False, Self::False) => Self::False,
            _ => Self::Unknown,
        }
    }

    /// Kleene NOT: unknown stays unknown.
    #[must_use]
    pub fn negated(self) -> Self {
        match self {
            Self::True => Self::False,
            Self::False => Self::True,
            Self::Unknown => Self::Unknown,
        }
    }

    /// Witnesses of the same thing: two that know must agree, and one alone that knows is believed. (C5)
    pub fn agreed(witnesses: impl Iterator<Item = Self>) -> Self {
        let (mut so, mut not) = (0_u32, 0_u32);
        for witness in witnesses {
            so += u32::from(witness == Self::True);
            not += u32::from(witness == Self::False);
        }
        let enough = (so + not).min(2);
        match enough {
            0 => Self::Unknown,
            _ if so >= enough => Self::True,
            _ if not >= enough => Self::False,
            _ => Self::Unknown,
        }
    }

    /// Whether it is known to be so.
    pub fn is_true(self) -> bool {
        self == Self::True
    }
}

#[cfg(test)]
mod tests {
    use super::Truth::{False, True, Unknown};

    #[test]
    fn two_of_three_that_know_decide_and_two_that_contradict_know_nothing() {
        for (witnesses, agreed) in [
            (&[True, True, False][..], True),
            (&[True, False, False], False),
            (&[True, True, True], True),
            (&[True, False, Unknown], Unknown),
            (&[True, True, Unknown], True),
            (&[False, Unknown, False], False),
            (&[Unknown, True, Unknown], True),
            (&[Unknown, Unknown, False], False),
            (&[Unknown, Unknown], Unknown),
            (&[], Unknown),
        ] {
            assert_eq!(super::Truth::agreed(witnesses.iter().copied()), agreed, "{witnesses:?}");
        }
    }

    #[test]
    fn the_tables_are_those_of_kleene() {
        // Strong three-valued logic, S. C. Kleene, Introduction to Metamathematics (1952), section 64; from memory.
        for (a, b, and, or) in [
            (True, True, True, True),
            (True, False, False, True),
            (True, Unknown, Unknown, True),
            (False, False, False, False),
            (False, Unknown, False, Unknown),
            (Unknown, Unknown, Unknown, Unknown),
        ] {
            assert_eq!((a.and(b), b.and(a)), (and, and));
            assert_eq!((a.or(b), b.or(a)), (or, or));
        }
        assert_eq!([True.negated(), False.negated(), Unknown.negated()], [False, True, Unknown]);
    }
}
