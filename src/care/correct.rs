//! Corrections and deletions: new entries about old ones. Nothing is overwritten.

use super::ask::{At, Draft, Refusal};
use super::entry::{EntryId, Measured, What};
use super::stocking::amount_up_to_full;

impl At<'_> {
    fn entry_of_mine(&self, id: u64) -> Result<(EntryId, What), Refusal> {
        let id = EntryId(id);
        let Some(standing) = self.care.standing(id).filter(|standing| standing.tank == self.tank) else {
            let text = match self.care.entry(id) {
                Some(entry) if entry.tank == self.tank => {
                    format!("{id} is itself a correction\n  correct the entry that it is about")
                }
                Some(entry) => format!("{id} is of tank {}\n  say `--tank {}`", entry.tank, entry.tank),
                None => format!("there is no entry {id}\n  `slackwater log` shows the numbers"),
            };
            return Err(Refusal::new(text));
        };
        match &standing.what {
            Some(What::Counted { .. } | What::Told { .. }) => Err(Refusal::new(format!("{id} is the daemon's own"))),
            Some(what) => Ok((id, what.clone())),
            None => Err(Refusal::new(format!("{id} is deleted already\n  note it anew if it was right"))),
        }
    }

    pub(super) fn correct(
        &self,
        id: u64,
        value: Option<&str>,
        at_given: bool,
        why: Option<&String>,
    ) -> Result<Draft, Refusal> {
        let (id, what) = self.entry_of_mine(id)?;
        if value.is_none() && !at_given {
            return Err(Refusal::new("nobody said what is right\n  write the right value, or `--when`"));
        }
        let to = value.map(|value| self.corrected(&what, value)).transpose()?;
        let shown = to.as_ref().unwrap_or(&what).words();
        let entry =
            What::Corrected { of: id, to: to.map(Box::new), at: at_given.then_some(self.moment), why: why.cloned() };
        let summary = format!("{id} is corrected: {shown} (it was: {})", what.words());
        let whats = vec![(self.tank.to_owned(), self.now, entry)];
        Ok(Draft { whats, summary: Some(summary), ..Draft::default() })
    }

    fn corrected(&self, what: &What, value: &str) -> Result<What, Refusal> {
        match what {
            What::Measured(measured) => {
                let read = crate::care::measure::read(&measured.quantity, value, None)?;
                if read.unit != measured.unit {
                    return Err(Refusal::new(format!("`{value}` is not in `{}`", measured.unit)));
                }
                let written = value.trim().to_owned();
                Ok(What::Measured(Measured { value: read.value, written, ..measured.clone() }))
            }
            What::Event { .. } => Ok(What::Event { text: value.trim().to_owned() }),
            What::LightChanged { .. } => Ok(What::LightChanged { text: value.trim().to_owned() }),
            What::WaterChange { .. } => {
                let volume: crate::units::Volume =
                    value.parse().map_err(|error: crate::units::UnitError| error.to_string())?;
                Ok(What::WaterChange { litres: volume.litres() })
            }
            What::Dosed { supply, .. } => {
                Ok(What::Dosed { supply: supply.clone(), amount: self.amount(supply, value)? })
            }
            What::Used { supply, .. } => Ok(What::Used { supply: supply.clone(), amount: self.amount(supply, value)? }),
            What::Refilled { supply, .. } => {
                let plan = self.supply(supply)?;
                Ok(What::Refilled { supply: supply.clone(), amount: Some(amount_up_to_full(plan, value)?) })
            }
            What::Left { supply, .. } => {
                let plan = self.supply(supply)?;
                Ok(What::Left { supply: supply.clone(), amount: amount_up_to_full(plan, value)? })
            }
            What::Away { .. } => {
                let (from, until) = super::ask::trip(value)?;
                Ok(What::Away { from, until })
            }
            other => Err(Refusal::new(format!(
                "an entry of the kind {} has no value to correct\n  delete it (`slackwater log delete`) and note it anew",
                other.kind()
            ))),
        }
    }

    pub(super) fn delete(&self, id: u64, why: Option<&String>) -> Result<Draft, Refusal> {
        let (id, what) = self.entry_of_mine(id)?;
        let summary = format!("{id} is deleted, and stays in the history: {}", what.words());
        let whats = vec![(self.tank.to_owned(), self.now, What::Deleted { of: id, why: why.cloned() })];
        Ok(Draft { whats, summary: Some(summary), ..Draft::default() })
    }
}
