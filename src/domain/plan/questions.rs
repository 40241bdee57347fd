//! What a plan may ask a person.
//!
//! Place in the data's path: an answers file is compared with it before anything is opened. What is
//! really asked, and how often, shows only in the run.

use super::equipment::{AirFrom, EquipmentPlan};
use super::shape::{MadeBy, Plan, PlannedStep, SensePoint, Target};
use crate::domain::bench_map::{Rail, SenseMeans};
use crate::domain::{Call, Question};
use crate::units::{End, Quantity, Terminal};

impl Plan {
    /// One question of each kind that a run of this plan may put, in the order of the run.
    #[must_use]
    pub fn questions(&self) -> Vec<Question> {
        let mut questions = self.observations(&Call::Idle, is_supply);
        let real = self.equipment.as_ref();
        let is_line = if real.is_some_and(|equipment| equipment.starts_machines) {
            no_line
        } else {
            is_line
        };
        if let Some(equipment) = &self.equipment {
            let checks = equipment.checklist.iter();
            questions.extend(checks.map(|check| Question::Confirm { check: *check }));
        }
        for step in &self.steps {
            questions.extend(self.of_machines(step));
            let call = step.call.clone();
            let by_person = step.made_by == MadeBy::Operator;
            if by_person {
                let lines = step.drive.clone();
                let call = call.clone();
                questions.push(Question::MakeCall {
                    call,
                    lines,
                    two_supplies: self.has_two_supplies(),
                });
            }
            questions.extend(self.observations(&call, is_line));
            if step.is_ended_by_a_person() {
                questions.push(Question::EndCall { call });
            }
        }
        // The check of each release, and of the start and the end, is asked as for idle.
        questions.extend(self.observations(&Call::Idle, is_line));
        let probed = self
            .sense_points
            .iter()
            .filter(|point| self.is_probed(point));
        questions.extend(probed.map(|point| Question::Probe {
            target: point.target.clone(),
            end: point.end,
        }));
        questions.extend(self.values_read_by_a_person());
        questions
    }

    /// Ohms are taken where loads are said to be lifted, after the pair's volts; amps where
    /// machines start.
    fn values_read_by_a_person(&self) -> Vec<Question> {
        let starts_machines = self.equipment.as_ref().map(|real| real.starts_machines);
        let mut questions = Vec::new();
        for point in &self.sense_points {
            if point.means != SenseMeans::Operator {
                continue;
            }
            let quantities: &[Quantity] = match (point.quantity, starts_machines) {
                (Quantity::AcVolts, _) => &[Quantity::AcVolts],
                (Quantity::AcAmps, Some(true)) => &[Quantity::AcAmps],
                (Quantity::Resistance, Some(false)) => &[Quantity::AcVolts, Quantity::Resistance],
                _ => &[],
            };
            questions.extend(quantities.iter().map(|quantity| Question::Value {
                call: Call::Idle,
                target: point.target.clone(),
                end: point.end,
                quantity: *quantity,
            }));
        }
        questions
    }

    /// What is asked of the person beside real machines.
    fn of_machines(&self, step: &PlannedStep) -> Vec<Question> {
        let equipment = self.equipment.as_ref();
        let Some(on) = equipment.and_then(|equipment| equipment.steps.get(&step.number)) else {
            return Vec::new();
        };
        let call = || step.call.clone();
        let mut questions = vec![Question::Machines {
            call: call(),
            machines: equipment.map_or(Vec::new(), EquipmentPlan::all_machines),
        }];
        if on.air_from != AirFrom::Nowhere {
            questions.push(Question::Air {
                call: call(),
                within_s: 0,
            });
        }
        if on.asks_warmth {
            questions.push(Question::Warmth { call: call() });
        }
        questions
    }

    /// Whether the bench stands between Rc and Rh, and not on R.
    #[must_use]
    pub fn has_two_supplies(&self) -> bool {
        let mut points = self.sense_points.iter();
        points.any(|point| matches!(point.target, Target::Supply(Rail::Rc | Rail::Rh)))
    }

    /// Whether a person moves a meter's leads to this point: one meter on several points without a
    /// multiplexer.
    #[must_use]
    pub fn is_probed(&self, point: &SensePoint) -> bool {
        let alone = |point: &SensePoint| match &point.means {
            SenseMeans::Meter {
                device,
                through: None,
                ..
            } => Some(device.clone()),
            _ => None,
        };
        let Some(meter) = alone(point) else {
            return false;
        };
        let same = self.sense_points.iter().filter_map(alone);
        same.filter(|device| *device == meter).count() > 1
    }

    fn observations(&self, call: &Call, wanted: fn(&Target) -> bool) -> Vec<Question> {
        [End::Controller, End::Equipment]
            .into_iter()
            .filter_map(|end| {
                let points = self.sense_points.iter().filter(|point| {
                    let seen = point.quantity == Quantity::Observation;
                    let by_a_person = point.means == SenseMeans::Operator && seen;
                    by_a_person && point.end == end && wanted(&point.target)
                });
                let lines: Vec<Terminal> = points.map(|point| point.target.terminal()).collect();
                let call = call.clone();
                (!lines.is_empty()).then_some(Question::Observe { call, lines, end })
            })
            .collect()
    }
}

fn is_supply(target: &Target) -> bool {
    matches!(target, Target::Supply(_))
}

/// On real machines a person is asked what runs, and not which lines are live.
fn no_line(_target: &Target) -> bool {
    false
}

fn is_line(target: &Target) -> bool {
    matches!(target, Target::Line(_))
}
