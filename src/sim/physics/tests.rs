//! The physics against figures worked by hand, and against the results of the project's rehearsal model.

use super::*;

const KINDS: [(OutputKind, f64); 7] = [
    (OutputKind::Heater, 100.0),
    (OutputKind::ReturnPump, 10.0),
    (OutputKind::Powerhead, 8.0),
    (OutputKind::Skimmer, 6.0),
    (OutputKind::TopOff, 5.0),
    (OutputKind::Light, 60.0),
    (OutputKind::Fan, 3.0),
];
const HEATER: usize = 0;
const RETURN: usize = 1;
const POWERHEAD: usize = 2;
const SKIMMER: usize = 3;
const TOP_OFF: usize = 4;
const LIGHT: usize = 5;

fn lagoon() -> Physics {
    let outputs = KINDS
        .iter()
        .map(|(kind, watts)| Machine {
            kind: *kind,
            watts: *watts,
            delivers: 0.5 / 60.0,
            alkalinity: 0.0,
            calcium: 0.0,
        })
        .collect();
    Physics::new(Parameters::sized(65.7, 21.3, outputs))
}

fn full() -> Reservoir {
    Reservoir { litres: 500.0, capacity: 500.0 }
}

/// Pumps run, the rest is off.
fn idle() -> [f64; 7] {
    let mut duty = [0.0; 7];
    for on in [RETURN, POWERHEAD, SKIMMER] {
        duty[on] = 1.0;
    }
    duty
}

#[test]
fn a_hundred_watts_warm_87_litres_net_by_0_96_kelvin_an_hour_without_losses() {
    // By hand: 87 L · 1.0233 kg/L · 3993 J/(kg K) + 21 kJ/K = 376.5 kJ/K; 100 W · 3600 s / 376.5 kJ/K = 0.956 K/h.
    let mut tank = lagoon();
    tank.make.cover = 1.0;
    tank.make.display_loss = 0.0;
    tank.make.sump.as_mut().unwrap().loss = 0.0;
    tank.make.outputs.iter_mut().skip(1).for_each(|machine| machine.watts = 0.0);
    let mut duty = idle();
    duty[HEATER] = 1.0;
    let air = Air::new(20.0, 0.5);
    let hour = |tank: &mut Physics| {
        (0..3600).for_each(|_| tank.step(1.0, &duty, air, &mut full()));
        tank.display_celsius()
    };
    let (first, second) = (hour(&mut tank), hour(&mut tank));
    assert!((second - first - 0.956).abs() < 0.002, "{}", second - first);
    // By hand: the display takes 65.7/87 of the heat, 75.5 W, over 0.1667 L/s · 4086 J/(L K): the sump stands 0.111 K over.
    let over = tank.sump_celsius() - tank.display_celsius();
    assert!((over - 0.111).abs() < 0.003, "{over} K");
}

#[test]
fn water_and_salt_balance_over_ten_days_of_stops_floods_and_top_off() {
    let mut tank = lagoon();
    let (water, salt) = (tank.litres(), tank.salt());
    let mut reservoir = full();
    let mut topping = 0.0;
    for second in 0..864_000_u32 {
        let mut duty = idle();
        // A feeding stop of 10 minutes every 6 hours, half a second's share at its edges.
        let into = second % 21_600;
        duty[RETURN] = if into < 600 { 0.0 } else { 1.0 };
        duty[RETURN] = if into == 600 { 0.5 } else { duty[RETURN] };
        if into > 1800 {
            topping = if tank.level() < -4.0 {
                1.0
            } else if tank.level() > 0.0 {
                0.0
            } else {
                topping
            };
            duty[TOP_OFF] = topping;
        }
        tank.defects.drain_open = if (400_000..400_600).contains(&second) { 0.0 } else { 1.0 };
        tank.defects.leak = if (500_000..503_600).contains(&second) { 1.0 / 3600.0 } else { 0.0 };
        tank.step(1.0, &duty, Air::new(20.0, 0.5), &mut reservoir);
    }
    let gone = tank.ledger();
    assert!(gone.evaporated > 8.0 && gone.topped_off > 10.0 && gone.spilled > 1.0 && gone.skimmed > 0.3, "{gone:?}");
    let expected = water + gone.topped_off + gone.dosed - gone.evaporated - gone.skimmed - gone.spilled;
    assert!((tank.litres() - expected).abs() < 0.001, "{} L against {expected} L", tank.litres());
    assert!(((tank.salt() + gone.salt_lost) / salt - 1.0).abs() < 0.0001);
    assert!((reservoir.capacity - reservoir.litres - gone.topped_off).abs() < 0.001);
    assert!((tank.floor_litres() - gone.spilled).abs() < 1e-9);
}

/// A year without faults: a thermostat, a top-off that is refilled each day, a water change of 9 L each week.
#[test]
fn water_and_salt_balance_over_a_year_to_a_millilitre_and_a_hundredth_of_a_percent() {
    let mut tank = lagoon();
    let (water, salt) = (tank.litres(), tank.salt());
    let mut duty = idle();
    let (alkalinity, calcium) = (tank.all_alkalinity(), tank.all_calcium());
    let mut drawn = 0.0;
    for day in 0..365_u32 {
        let mut reservoir = full();
        if day % 7 == 6 {
            tank.take_out(9.0);
            tank.give(9.0, 35.0, 21.0);
        }
        for _ in 0..43_200 {
            let (level, celsius) = (tank.level(), tank.display_celsius());
            duty[TOP_OFF] = if level < -4.0 {
                1.0
            } else if level > 0.0 {
                0.0
            } else {
                duty[TOP_OFF]
            };
            duty[HEATER] = if celsius < 24.85 {
                1.0
            } else if celsius > 25.15 {
                0.0
            } else {
                duty[HEATER]
            };
            tank.step(2.0, &duty, Air::new(20.0, 0.5), &mut reservoir);
        }
        drawn += reservoir.capacity - reservoir.litres;
    }
    let alkaline = *tank.chemistry();
    let kept = tank.all_alkalinity() - (alkalinity + alkaline.given + alkaline.dosed - alkaline.taken - alkaline.lost);
    assert!(kept.abs() < 1e-6 * alkalinity && alkaline.taken > 100.0, "{kept} dKH L of {alkaline:?}");
    let book = alkaline.calcium;
    let kept = tank.all_calcium() - (calcium + book.given + book.dosed - book.taken - book.lost);
    assert!(kept.abs() < 1e-6 * calcium && book.taken > 700.0, "{kept} mg of {book:?}");
    let book = tank.ledger();
    assert!(book.evaporated > 400.0 && book.given > 460.0 && book.skimmed > 1.0, "{book:?}");
    let expected = water + book.topped_off + book.dosed + book.given
        - book.evaporated
        - book.skimmed
        - book.spilled
        - book.removed;
    assert!((tank.litres() - expected).abs() < 0.001, "{} L against {expected} L", tank.litres());
    assert!((drawn - book.topped_off).abs() < 0.001, "{drawn} L out of the reservoir, {} L in", book.topped_off);
    let salt_expected = salt - book.salt_lost - book.salt_removed + book.salt_given;
    assert!((tank.salt() / salt_expected - 1.0).abs() < 0.0001, "{} g against {salt_expected} g", tank.salt());
}

#[test]
fn halving_the_step_changes_the_temperature_by_less_than_0_02_kelvin() {
    let run = |dt: f64, steps: u32| {
        let mut tank = lagoon();
        let mut lowest: f64 = 99.0;
        let per_hour = steps / 48;
        for step in 0..steps {
            let hour = step / per_hour;
            let mut duty = idle();
            duty[HEATER] = f64::from(u8::from(hour.is_multiple_of(3)));
            duty[RETURN] = f64::from(u8::from(hour % 11 != 5));
            duty[LIGHT] = f64::from(u8::from(hour % 24 > 12));
            tank.step(dt, &duty, Air::new(20.0, 0.5), &mut full());
            lowest = lowest.min(tank.display_celsius());
        }
        (tank.display_celsius(), tank.sump_celsius(), lowest)
    };
    let (whole, half) = (run(2.0, 86_400), run(1.0, 172_800));
    assert!((whole.0 - half.0).abs() < 0.02 && (whole.1 - half.1).abs() < 0.02, "{whole:?} {half:?}");
    assert!((whole.2 - half.2).abs() < 0.02);
    assert!(whole.2 < 24.5, "the run must move the temperature to show anything");
}

#[test]
fn six_hundred_litres_an_hour_stand_eight_millimetres_over_the_weir() {
    // By hand: (600/3.6e6 / (1.84 · 0.12))^(2/3) = 8.3 mm; over 0.20 m² that is 1.7 L.
    assert!((hydraulics::head(600.0 / 3600.0, 0.12) * 1000.0 - 8.3).abs() < 0.05);
    let mut tank = lagoon();
    let air = Air::new(20.0, 0.5);
    (0..600).for_each(|_| tank.step(1.0, &idle(), air, &mut full()));
    assert!((tank.display_level() - 8.3).abs() < 0.1, "{}", tank.display_level());
    assert!(tank.level().abs() < 1.0, "steady at the usual level: {}", tank.level());
}

#[test]
fn a_stopped_pump_drains_back_five_litres_and_a_restart_settles_within_a_minute() {
    // The rehearsal model: 5.2 L back (1.7 head + 3.0 siphon + 0.5 pipe), return chamber +85 mm, restart < 2 mm in 55 s.
    let mut tank = lagoon();
    tank.make.cover = 1.0;
    let air = Air::new(20.0, 0.5);
    let before = tank.display.litres + tank.sump.as_ref().unwrap().1.pipe;
    let mut duty = idle();
    duty[RETURN] = 0.0;
    (0..600).for_each(|_| tank.step(1.0, &duty, air, &mut full()));
    let back = before - tank.display.litres - tank.sump.as_ref().unwrap().1.pipe;
    assert!((back - 5.2).abs() < 0.1, "{back} L");
    assert!((tank.level() - 85.0).abs() < 4.0, "{} mm", tank.level());
    assert!(tank.flow().abs() < 1e-12);
    let mut lowest: f64 = 0.0;
    for second in 0..300 {
        tank.step(1.0, &idle(), air, &mut full());
        lowest = lowest.min(tank.level());
        if second >= 55 {
            assert!(tank.level().abs() < 2.0, "{second} s: {} mm", tank.level());
        }
    }
    assert!(lowest > -10.0, "the surge must not run the pump dry: {lowest} mm");
    assert!(tank.floor_litres().abs() < 1e-12);
}

/// The heater's share of the last 24 of 72 hours under a plain thermostat at 25.0 °C ± 0.15 K.
fn duty_at(room: f64) -> f64 {
    let mut tank = lagoon();
    let air = Air::new(room, 0.5);
    let (mut heating, mut on) = (1.0, 0.0);
    for second in 0..259_200_u32 {
        let celsius = tank.display_celsius();
        heating = if celsius < 24.85 {
            1.0
        } else if celsius > 25.15 {
            0.0
        } else {
            heating
        };
        let mut duty = idle();
        duty[HEATER] = heating;
        duty[LIGHT] = f64::from(u8::from((second / 3600) % 24 < 10));
        // Topped off now and then, so that three days of evaporation do not change the tank.
        duty[TOP_OFF] = f64::from(u8::from(tank.level() < 0.0 && second % 600 < 10));
        tank.step(1.0, &duty, air, &mut full());
        on += if second >= 172_800 { heating } else { 0.0 };
    }
    on / 86_400.0
}

#[test]
fn the_heater_works_as_much_as_the_rehearsal_model_says() {
    // Results of the model with lights by day: 87 % at a room of 17 °C, 59 % at 20, 40 % at 22. Its room's moisture is
    // not given; ours is 50 % at every temperature, hence the width.
    for (room, share) in [(17.0, 0.87), (20.0, 0.59), (22.0, 0.40)] {
        let ours = duty_at(room);
        assert!((ours - share).abs() < 0.08, "room {room} °C: {ours}");
    }
}

#[test]
fn evaporation_is_one_to_two_litres_a_day_and_the_balance_holds() {
    let mut tank = lagoon();
    for _ in 0..86_400 {
        let mut duty = idle();
        duty[HEATER] = f64::from(u8::from(tank.display_celsius() < 25.0));
        tank.step(1.0, &duty, Air::new(20.0, 0.5), &mut full());
    }
    let gone = tank.ledger().evaporated;
    // The model: 1.3 to 1.9 L a day. 1 L evaporated from 90 L is +0.39 g/kg (worked by hand there).
    assert!((1.2..2.0).contains(&gone), "{gone} L");
    let rise = tank.salinity() - 35.0;
    assert!((rise / gone - 0.40).abs() < 0.03, "{rise} g/kg");
}

#[test]
fn a_welded_heater_cooks_the_tank_as_the_table_says() {
    // The model's table: welded 100 W at a room of 20 °C: 26.0 °C after 3.6 h, 27.5 °C after 36 h.
    // Its room's moisture is not given (ours is 50 %), hence the width.
    let mut tank = lagoon();
    let mut duty = idle();
    duty[HEATER] = 1.0;
    let mut reached = None;
    for second in 0..129_600_u32 {
        duty[LIGHT] = f64::from(u8::from((second / 3600) % 24 < 10));
        tank.step(1.0, &duty, Air::new(20.0, 0.5), &mut full());
        if reached.is_none() && tank.display_celsius() > 26.0 {
            reached = Some(f64::from(second) / 3600.0);
        }
    }
    let hours = reached.expect("26 °C is reached");
    assert!((2.2..5.0).contains(&hours), "{hours} h");
    assert!((tank.display_celsius() - 27.5).abs() < 1.0, "{}", tank.display_celsius());
}

#[test]
fn a_day_takes_alkalinity_and_its_calcium_and_doses_give_both_back() {
    let outputs = vec![
        Machine { kind: OutputKind::ReturnPump, watts: 10.0, delivers: 0.0, alkalinity: 0.0, calcium: 0.0 },
        Machine { kind: OutputKind::Light, watts: 60.0, delivers: 0.0, alkalinity: 0.0, calcium: 0.0 },
        Machine { kind: OutputKind::Doser, watts: 3.0, delivers: 0.001, alkalinity: 0.0312 * 87_000.0, calcium: 0.0 },
        Machine {
            kind: OutputKind::Doser,
            watts: 3.0,
            delivers: 0.001,
            alkalinity: 0.0,
            calcium: 7.147 * 0.0312 * 87_000.0,
        },
    ];
    let mut tank = Physics::new(Parameters::sized(65.7, 21.3, outputs));
    tank.make.cover = 1.0;
    for second in 0..86_400 {
        let light = if second < 43_200 { 1.0 } else { 0.0 };
        tank.step(1.0, &[1.0, light, 0.0, 0.0], Air::new(20.0, 0.5), &mut full());
    }
    assert!((tank.alkalinity() - 7.2).abs() < 0.005, "{}", tank.alkalinity());
    // 7.147 mg/L with each dKH: half a mole of CaCO3 an equivalent, 40.078 g of calcium a mole (IUPAC 2021).
    assert!((tank.calcium() - (420.0 - 7.147 * 0.8)).abs() < 0.05, "{}", tank.calcium());
    // The model's stock: 0.0312 dKH a millilitre in 87 L, so 0.80 dKH is 25.6 mL, and a pH that shows it for an hour.
    let before = tank.chemistry().ph(0.5);
    for _ in 0..26 {
        tank.step(1.0, &[1.0, 0.0, 1.0, 1.0], Air::new(20.0, 0.5), &mut full());
    }
    assert!((tank.alkalinity() - 8.01).abs() < 0.01, "{}", tank.alkalinity());
    assert!((tank.calcium() - 420.0).abs() < 0.3, "the same mL of both parts: {}", tank.calcium());
    assert!((tank.chemistry().ph(0.5) - before - 0.08 * 0.81).abs() < 0.002);
}
