//! The simulated keeper: asks the daemon as a wall button would, carries water, fills reservoirs.
//!
//! ```text
//!   water change   measure, mix ─ ask `hold water-change` ── 5 min ──► out, 5 min ──► in, 5 min ──► 5 min ──► ask `release`
//!   feeding        ask `hold feeding`, which ends by its own limit
//! ```
//! The keeper cannot ask while there is no daemon or no broker, and tries again each minute. After a
//! refused release they pour in what fresh water is missing and ask again, each five minutes. A keeper
//! who resets nothing is the usual one: what latches stays latched until a sentence says `keeper resets`.
//!
//! A keeper who answers comes when an alarm of the daemon still stands after a while: after an hour to an urgent one, four to
//! a high one, a day to a medium one, a quarter of an hour to a hold that is overdue, for who began it is near [choice: later
//! than the alarms ask, as people are], mends what is broken, sets the water
//! right, asks for a reset and acknowledges. What the daemon does not tell is never mended.
//!
//! Limits: no I/O; whoever plays the home carries the requests, and tells back what was refused.

use crate::control::dosing::{DoseAsk, DosingPlan};
use crate::control::effect::{Notice, NoticeKind};
use crate::control::ids::{AlarmId, DoserId};
use crate::control::plan::Priority;
use crate::control::{Request, TankPlan};
use crate::time::{Now, Span, Steady};
use crate::wire::{BROKER_LOST_AFTER, OwnTopics};

use super::World;
use super::fault::KeeperAct;

/// Water is carried in so many portions, one each 15 s.
const PORTIONS: u32 = 20;
/// The share of a tank's water that the habit changes each week.
const WEEKLY_SHARE: f64 = 0.10;
/// How soon somebody comes to an alarm of high priority. [choice]
const COMES_TO_A_HIGH_ONE: Span = Span::from_hours(4);
/// What a calibration takes.
const CYLINDERS: u8 = 3;
/// Before a dosing pump's calibration is called old. [choice]
const CALIBRATES_EVERY: Span = Span::from_hours(56 * 24);

/// What the keepers do by habit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Routine {
    /// Nothing: only what sentences say.
    Away,
    /// Feeds each day at 18:00, fills the reservoir every second day at 20:00, changes a tenth of the water each
    /// seventh day at 10:00, fills the dosing containers each seventh day at 20:00, cleans the probes every fourth week,
    /// calibrates the dosing pumps every eighth week;
    /// hours of the tank's own zone.
    AtHome,
    /// As at home, and comes when an alarm calls.
    Answers,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Task {
    SetOut(KeeperAct),
    Ask(Errand),
    /// New water for so many litres, by what the tank measures.
    Mix(f64),
    Out(f64),
    In(f64),
    Refill,
    Clean,
    TopUp,
    Visit(AlarmId),
    /// The broker is lost, which is an alarm of the daemon itself: one home, one look.
    LookAtBroker,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Errand {
    Hold(&'static str),
    Release(&'static str),
    ReleaseAll,
    Acknowledge,
    Reset,
    /// The container of this dosing pump is full.
    Filled(DoserId),
    /// A minute of this dosing pump into a cylinder, and so many cylinders until what it gives is known.
    Calibrate(DoserId, u8),
    /// What is in the cylinder: what the pump delivers by its file, for the simulated one neither wears nor clogs.
    Measured(DoserId, u8),
}

/// A request on its way.
#[derive(Debug)]
pub struct Ask {
    /// A tank's `ask` topic.
    pub topic: String,
    /// The request.
    pub payload: Vec<u8>,
}

/// All keepers of all tanks.
#[derive(Debug)]
pub struct Keeper {
    topics: Vec<String>,
    holds: Vec<Vec<&'static str>>,
    litres: Vec<f64>,
    /// Sorted by time, then by the order of planning.
    tasks: Vec<(Steady, usize, Task)>,
    habits: Vec<Habit>,
    /// A release that was asked and not answered yet.
    releasing: Vec<Option<&'static str>>,
    /// The salinity of the new water that each mixed last, g/kg.
    mixed: Vec<f64>,
    routine: Routine,
    /// The holds of each tank.
    procedures: Vec<Vec<String>>,
    /// The dosing pumps of each tank, and what each delivers, mL in a minute.
    pumps: Vec<Vec<(String, f64)>>,
}

#[derive(Debug)]
struct Habit {
    tank: usize,
    next: Steady,
    every: Span,
    task: Task,
}

impl Keeper {
    /// Keepers with their habits, from a moment on.
    pub fn new(plans: &[TankPlan], world: &World, routine: Routine, own: &OwnTopics, start: Now) -> Self {
        let has = |plan: &TankPlan| {
            let names = ["water-change", "feeding"].into_iter();
            names
                .filter(|name| plan.hold(name).is_some_and(|hold| !plan.holds[hold.index()].pauses.is_empty()))
                .collect()
        };
        let mut habits = Vec::new();
        if routine != Routine::Away {
            for (tank, plan) in plans.iter().enumerate() {
                let now = u64::from(plan.zone.time_of_day(start.wall).seconds());
                let at = |hour: u64, day: u64| {
                    let ahead = (hour * 3600 + 86_400 - now) % 86_400 + day * 86_400;
                    start.steady.after(Span::from_seconds(ahead))
                };
                let litres = WEEKLY_SHARE * plan.water.litres();
                let feeds = Task::SetOut(KeeperAct::Feeds);
                let changes = Task::SetOut(KeeperAct::ChangesWater(litres));
                habits.push(Habit { tank, next: at(18, 0), every: Span::from_hours(24), task: feeds });
                habits.push(Habit { tank, next: at(20, 1), every: Span::from_hours(48), task: Task::Refill });
                for pump in 0..plan.dosing.len() {
                    let task = Task::Ask(Errand::Filled(DoserId::new(pump)));
                    habits.push(Habit { tank, next: at(20, 3), every: Span::from_hours(168), task });
                    // A quarter of an hour or more from any dose of the hour, and each pump in an hour of its own.
                    let next = at(12 + pump as u64, 55).after(Span::from_minutes(20));
                    let task = Task::Ask(Errand::Calibrate(DoserId::new(pump), CYLINDERS));
                    habits.push(Habit { tank, next, every: CALIBRATES_EVERY, task });
                }
                habits.push(Habit { tank, next: at(11, 27), every: Span::from_hours(672), task: Task::Clean });
                habits.push(Habit { tank, next: at(10, 6), every: Span::from_hours(168), task: changes });
            }
        }
        Self {
            topics: plans.iter().map(|plan| own.ask(&plan.name)).collect(),
            holds: plans.iter().map(has).collect(),
            litres: plans
                .iter()
                .map(|plan| world.physics(&plan.name).map_or(0.0, |water| water.make().display_litres))
                .collect(),
            tasks: Vec::new(),
            habits,
            releasing: vec![None; plans.len()],
            mixed: vec![0.0; plans.len()],
            routine,
            procedures: plans
                .iter()
                .map(|plan| plan.holds.iter().map(|hold| hold.name.to_string()).collect())
                .collect(),
            pumps: plans
                .iter()
                .map(|plan| {
                    let named =
                        |dosing: &DosingPlan| (plan.outputs[dosing.output.index()].name.to_string(), dosing.delivers);
                    plan.dosing.iter().map(named).collect()
                })
                .collect(),
        }
    }

    /// An alarm came, is told again, or went.
    pub fn called(&mut self, tank: usize, notice: &Notice, now: Steady) {
        let visit = (tank, Task::Visit(notice.alarm));
        let of_hold = |hold: &String| notice.name.strip_suffix("-overdue") == Some(hold);
        let wait = match notice.priority {
            _ if self.routine != Routine::Answers => return,
            _ if self.procedures[tank].iter().any(of_hold) => Span::from_minutes(15),
            Priority::Low => return,
            Priority::Medium => Span::from_hours(24),
            Priority::High => COMES_TO_A_HIGH_ONE,
            Priority::Urgent => Span::from_hours(1),
        };
        let planned = self.tasks.iter().any(|(_, tank, task)| (*tank, *task) == visit);
        match notice.what {
            NoticeKind::Cleared | NoticeKind::Silenced => self.tasks.retain(|(_, tank, task)| (*tank, *task) != visit),
            NoticeKind::Test => {}
            NoticeKind::Raised | NoticeKind::Reminder if planned => {}
            NoticeKind::Raised | NoticeKind::Reminder => self.plan(now.after(wait), visit.0, visit.1),
        }
    }

    /// The broker is gone or back. The daemon tells of one that stays away, by channels that need no broker.
    pub fn broker(&mut self, is_up: bool, now: Steady) {
        self.tasks.retain(|(.., task)| *task != Task::LookAtBroker);
        if !is_up && self.routine == Routine::Answers {
            let told = now.after(BROKER_LOST_AFTER);
            self.plan(told.after(COMES_TO_A_HIGH_ONE), 0, Task::LookAtBroker);
        }
    }

    /// Mends what is broken, and asks for what is latched or held once the water has settled.
    fn visit(&mut self, world: &mut World, tank: usize, now: Steady, tell: &mut dyn FnMut(usize, &str)) {
        let mended = world.mend(tank);
        let what =
            if mended.is_empty() { "finds nothing broken".to_owned() } else { format!("mends: {}", mended.join("; ")) };
        tell(tank, &format!("comes to an alarm and {what}"));
        let carries = |(_, of, task): &(Steady, usize, Task)| *of == tank && matches!(task, Task::Out(_) | Task::In(_));
        if !self.tasks.iter().any(carries) {
            self.plan(now.after(Span::from_minutes(5)), tank, Task::Ask(Errand::ReleaseAll));
        }
        self.plan(now.after(Span::from_minutes(6)), tank, Task::Ask(Errand::Reset));
        // Whoever has looked at the probes says so: a reading that leapt is not believed before.
        self.plan(now.after(Span::from_minutes(7)), tank, Task::Ask(Errand::Acknowledge));
    }

    /// Where a tank is asked.
    pub fn topic(&self, tank: usize) -> &str {
        &self.topics[tank]
    }

    /// When they do something next.
    pub fn next_deadline(&self) -> Option<Steady> {
        let habit = self.habits.iter().map(|habit| habit.next).min();
        self.tasks.first().map(|(at, ..)| *at).into_iter().chain(habit).min()
    }

    fn plan(&mut self, at: Steady, tank: usize, task: Task) {
        let place = self.tasks.partition_point(|(other, ..)| *other <= at);
        self.tasks.insert(place, (at, tank, task));
    }

    /// Begins what it takes.
    pub fn sets_out(&mut self, tank: usize, act: KeeperAct, at: Steady) {
        match act {
            KeeperAct::Feeds => {
                if self.holds[tank].contains(&"feeding") {
                    self.plan(at, tank, Task::Ask(Errand::Hold("feeding")));
                }
            }
            KeeperAct::Resets => self.plan(at, tank, Task::Ask(Errand::Reset)),
            KeeperAct::ChangesWater(litres) => {
                // Nobody empties a display to the sand.
                let portion = litres.min(0.5 * self.litres[tank]) / f64::from(PORTIONS);
                let held = self.holds[tank].contains(&"water-change");
                self.plan(at, tank, Task::Mix(portion * f64::from(PORTIONS)));
                if held {
                    self.plan(at, tank, Task::Ask(Errand::Hold("water-change")));
                }
                for n in 0..PORTIONS {
                    let later = Span::from_seconds(u64::from(15 * n));
                    self.plan(at.after(Span::from_minutes(5)).after(later), tank, Task::Out(portion));
                    self.plan(at.after(Span::from_minutes(10)).after(later), tank, Task::In(portion));
                }
                if held {
                    self.plan(at.after(Span::from_minutes(20)), tank, Task::Ask(Errand::Release("water-change")));
                }
            }
        }
    }

    /// Does what is due, tells of it (the tank's place, and words), and gives what is to be asked.
    pub fn act(
        &mut self,
        world: &mut World,
        now: Steady,
        daemon_hears: bool,
        tell: &mut dyn FnMut(usize, &str),
    ) -> Vec<Ask> {
        let mut asks = Vec::new();
        let due: Vec<(usize, Task)> = self
            .habits
            .iter_mut()
            .filter(|habit| habit.next <= now)
            .map(|habit| {
                habit.next = habit.next.after(habit.every);
                (habit.tank, habit.task)
            })
            .collect();
        for (tank, task) in due {
            self.plan(now, tank, task);
        }
        while self.tasks.first().is_some_and(|(at, ..)| *at <= now) {
            let (_, tank, task) = self.tasks.remove(0);
            match task {
                Task::SetOut(act) => self.sets_out(tank, act, now),
                Task::Out(litres) => world.take_water(tank, litres),
                Task::Mix(litres) => self.mixed[tank] = world.mix(tank, litres),
                Task::In(litres) => world.give_water(tank, litres, self.mixed[tank]),
                Task::Refill => world.refill(tank),
                Task::TopUp => {
                    let litres = world.top_up(tank);
                    if litres > 0.05 {
                        tell(tank, &format!("pours in {litres:.1} L of fresh water"));
                    }
                }
                Task::Clean => world.clean_probes(tank),
                Task::Visit(_) | Task::LookAtBroker => self.visit(world, tank, now, tell),
                Task::Ask(errand) if !daemon_hears => {
                    self.plan(now.after(Span::from_minutes(1)), tank, Task::Ask(errand));
                }
                Task::Ask(errand) => {
                    let request = match errand {
                        Errand::Hold(name) => Request::hold(name),
                        Errand::Release(name) => Request::Release { procedure: Some(name.to_owned()) },
                        Errand::Acknowledge => Request::Acknowledge { alarm: None },
                        Errand::ReleaseAll => Request::Release { procedure: None },
                        Errand::Reset => Request::Reset { interlock: None },
                        Errand::Filled(pump) => {
                            let (pump, _) = self.pumps[tank][pump.index()].clone();
                            Request::Dose { pump, what: DoseAsk::Refill(None) }
                        }
                        Errand::Calibrate(pump, left) => {
                            let measured = Task::Ask(Errand::Measured(pump, left));
                            self.plan(now.after(Span::from_minutes(2)), tank, measured);
                            let (pump, _) = self.pumps[tank][pump.index()].clone();
                            Request::Dose { pump, what: DoseAsk::Calibrate }
                        }
                        Errand::Measured(pump, left) => {
                            if left > 1 {
                                let next = Task::Ask(Errand::Calibrate(pump, left - 1));
                                self.plan(now.after(Span::from_minutes(1)), tank, next);
                            }
                            let (pump, delivers) = self.pumps[tank][pump.index()].clone();
                            Request::Dose { pump, what: DoseAsk::Measured(delivers) }
                        }
                    };
                    self.releasing[tank] = if let Errand::Release(name) = errand { Some(name) } else { None };
                    let words = match errand {
                        Errand::Hold(name) => format!("asks for hold {name}"),
                        Errand::Release(name) => format!("asks to release {name}"),
                        Errand::ReleaseAll => "asks to release whatever is held".to_owned(),
                        Errand::Acknowledge => "acknowledges all alarms".to_owned(),
                        Errand::Reset => "asks for a reset".to_owned(),
                        Errand::Filled(pump) => format!("fills the container of {}", self.pumps[tank][pump.index()].0),
                        Errand::Calibrate(pump, _) => format!("calibrates {}", self.pumps[tank][pump.index()].0),
                        Errand::Measured(pump, _) => {
                            let (pump, delivers) = &self.pumps[tank][pump.index()];
                            format!("measures {delivers:.1} mL of {pump}")
                        }
                    };
                    tell(tank, &words);
                    let payload = match &request {
                        // A quantity is told with its unit, as people do.
                        Request::Dose { pump, what: DoseAsk::Measured(ml) } => {
                            format!("dose {pump} measured {ml:.1} mL").into_bytes()
                        }
                        request => serde_json::to_vec(request).expect("a request is always JSON"),
                    };
                    asks.push(Ask { topic: self.topics[tank].clone(), payload });
                }
            }
        }
        asks
    }

    /// A request of this tank was refused: a release is asked again, with the water that was missing.
    pub fn refused(&mut self, tank: usize, now: Steady) {
        if let Some(name) = self.releasing[tank].take() {
            self.plan(now.after(Span::from_minutes(4)), tank, Task::TopUp);
            self.plan(now.after(Span::from_minutes(5)), tank, Task::Ask(Errand::Release(name)));
        }
    }

    /// A request of this tank was carried out.
    pub fn answered(&mut self, tank: usize) {
        self.releasing[tank] = None;
    }
}
