//! What survives a kill: one serialisable value a tank, by name, so that a changed plan can read it.

/// The state of a tank that must survive.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct TankState {}
