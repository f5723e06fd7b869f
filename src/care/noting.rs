//! Measurements: read in any unit, kept in one, compared with what the probe said.

use crate::time::Wall;
use crate::units::{Quantity, Temperature, Volume};

use super::ask::{At, Draft, PROBE_NOW, Refusal};
use super::entry::{Entry, Measured, ProbeSaid, What};
use super::measure;

impl At<'_> {
    #[expect(clippy::too_many_arguments, reason = "the fields of one request")]
    pub(super) fn measure(
        &self,
        quantity: &str,
        value: &str,
        with: Option<&String>,
        spot: Option<&String>,
        temperature: Option<&str>,
        note: Option<&String>,
        probe_then: &dyn Fn(&str, Wall) -> Option<f64>,
    ) -> Result<Draft, Refusal> {
        let given = temperature.map(str::parse::<Temperature>).transpose().map_err(|error| error.to_string())?;
        let read = self.read(quantity, value, given)?;
        let mut draft = Draft::default();
        let mut measured = Measured {
            quantity: measure::name(quantity)?,
            value: read.value,
            unit: read.unit,
            written: value.trim().to_owned(),
            with: with.cloned(),
            spot: spot.map(|spot| measure::name(spot)).transpose()?,
            probe: None,
            note: note.cloned(),
        };
        draft.details.extend(read.remark);
        if let (Some(spot), false) = (&measured.spot, self.plan.spots.is_empty())
            && self.plan.spots.iter().all(|(name, _)| name != spot)
        {
            let known: Vec<&str> = self.plan.spots.iter().map(|(name, _)| name.as_str()).collect();
            draft.details.push(format!("`{spot}` is not among the spots of the config: {}", known.join(", ")));
        }
        if measured.spot.is_none() && measured.quantity == "ppfd" {
            return Err(Refusal::new("light is measured at a spot\n  say which: `--at rock-left`"));
        }
        measured.probe = self.probe_said(&measured, probe_then);
        let compared = measured.probe.is_some();
        let what = What::Measured(measured);
        if compared {
            draft.details.extend(self.check_words(&what));
        }
        draft.whats.push((self.tank.to_owned(), self.moment, what));
        Ok(draft)
    }

    /// A value of a quantity, in the unit that this quantity has in the log.
    pub(super) fn read(
        &self,
        quantity: &str,
        value: &str,
        given: Option<Temperature>,
    ) -> Result<measure::Value, Refusal> {
        let quantity = measure::name(quantity)?;
        let facts = self.facts.tanks.get(self.tank);
        let water = || {
            let is = facts?.signal(Quantity::Temperature)?.value?;
            Temperature::from_celsius(is).ok().filter(|_| self.now.since(self.moment) <= PROBE_NOW)
        };
        let read = measure::read(&quantity, value, given.or_else(water))?;
        let log = self.care.in_force(Some(self.tank));
        let earlier = log.iter().find_map(|(_, what)| match what {
            What::Measured(known) if known.quantity == quantity && known.unit != read.unit => Some(known.clone()),
            _ => None,
        });
        match earlier {
            None => Ok(read),
            Some(known) => Err(Refusal::new(format!(
                "`{}` is in `{}`, and {quantity} was noted in `{}` before\n  use that unit, or another name",
                value.trim(),
                read.unit,
                known.unit
            ))),
        }
    }

    pub(super) fn probe_said(
        &self,
        measured: &Measured,
        probe_then: &dyn Fn(&str, Wall) -> Option<f64>,
    ) -> Option<ProbeSaid> {
        if measured.spot.is_some() || measured.with.as_deref().is_some_and(|with| with == "probe") {
            return None;
        }
        let quantity = measure::known(&measured.quantity)?;
        if !matches!(quantity, Quantity::Temperature | Quantity::Salinity | Quantity::Ph | Quantity::Conductivity) {
            return None;
        }
        let signal = self.facts.tanks.get(self.tank)?.signal(quantity)?;
        let now = self.now.since(self.moment) <= PROBE_NOW;
        let said = if now { signal.value } else { probe_then(&signal.name, self.moment) }?;
        Some(ProbeSaid { signal: signal.name.clone(), said })
    }

    /// What a check comes to with those before it.
    pub(super) fn check_words(&self, what: &What) -> Option<String> {
        let What::Measured(measured) = what else { return None };
        let probe = measured.probe.as_ref()?;
        let mut with_it = self.care.clone();
        let id = with_it.next_id();
        let entry = Entry {
            id,
            tank: self.tank.to_owned(),
            at: self.moment,
            noted: self.now,
            by: String::new(),
            key: None,
            what: what.clone(),
        };
        with_it.fold(entry);
        let views = with_it.probe_checks(self.tank, self.plan.zone, self.now);
        let view = views.into_iter().find(|view| view.signal == probe.signal)?;
        let said = measure::shown(&measured.quantity, probe.said, &measured.unit);
        Some(format!("{} said {said} then: {}", probe.signal, view.advice))
    }

    pub(super) fn water_change(&self, amount: &str) -> Result<Draft, Refusal> {
        let volume: Volume = amount.parse().map_err(|error: crate::units::UnitError| error.to_string())?;
        let litres = volume.litres();
        if !(litres > 0.0 && litres <= self.plan.litres) {
            let text = format!(
                "{litres:.1} L cannot be changed in a tank of {:.1} L\n  write how much, such as `9 L`",
                self.plan.litres
            );
            return Err(Refusal::new(text));
        }
        Ok(self.note(What::WaterChange { litres }))
    }
}
