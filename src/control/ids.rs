//! Names, and the dense indices that stand for them inside one tank's plan.

use std::fmt;
use std::ops::Deref;
use std::sync::Arc;

/// A name out of the config: short, lower case, shared cheaply.
#[derive(
    schemars::JsonSchema, Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(transparent)]
pub struct Name(Arc<str>);

impl Name {
    /// A name as it stands in the config.
    pub fn new(text: &str) -> Self {
        Self(text.into())
    }
}

impl Deref for Name {
    type Target = str;
    fn deref(&self) -> &str {
        &self.0
    }
}

impl std::borrow::Borrow<str> for Name {
    fn borrow(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl From<&str> for Name {
    fn from(text: &str) -> Self {
        Self::new(text)
    }
}

macro_rules! index {
    ($($(#[$doc:meta])* $name:ident),* $(,)?) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(u16);

        impl $name {
            /// The n-th of its kind in the plan.
            pub fn new(index: usize) -> Self {
                Self(u16::try_from(index).expect("config refuses more than 65535 of a kind in one tank"))
            }

            /// Its place in the plan.
            pub const fn index(self) -> usize {
                self.0 as usize
            }
        }
    )*};
}

index!(
    /// A probe of the tank.
    ProbeId,
    /// A signal of the tank.
    SignalId,
    /// An output of the tank.
    OutputId,
    /// A node in the tank's arena of conditions.
    ConditionId,
    /// An interlock of the tank.
    InterlockId,
    /// A rule of the tank.
    RuleId,
    /// A hold procedure of the tank.
    HoldId,
    /// An alarm of the tank.
    AlarmId,
    /// A top-off of the tank.
    TopOffId,
    /// A dosing pump with a plan.
    DoserId,
);
