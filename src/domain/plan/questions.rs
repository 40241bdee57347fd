//! What a plan may ask a person.
//!
//! Place in the data's path: an answers file is compared with it before anything is opened. What is
//! really asked, and how often, shows only in the run.

use super::shape::{MadeBy, Plan, SensePoint, Target};
use crate::domain::bench_map::SenseMeans;
use crate::domain::{Call, Question};
use crate::units::{End, Terminal};

impl Plan {
    /// One question of each kind that a run of this plan may put, in the order of the run.
    #[must_use]
    pub fn questions(&self) -> Vec<Question> {
        let mut questions = self.observations(&Call::Idle, is_supply);
        for step in &self.steps {
            let call = step.call.clone();
            let by_person = step.made_by == MadeBy::Operator;
            if by_person {
                let lines = step.drive.clone();
                let call = call.clone();
                questions.push(Question::MakeCall { call, lines });
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
        questions
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
                    point.means == SenseMeans::Operator && point.end == end && wanted(&point.target)
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

fn is_line(target: &Target) -> bool {
    matches!(target, Target::Line(_))
}
