//! The plan of a run: its steps, what each drives, what each line must be, and what senses it.
//!
//! Place in the data's path: made from the profile, its truth table and the bench map before
//! anything is opened; the runner follows it, and it is written whole into the journal's first
//! event, so that a report never needs the files again. Planning opens nothing and reads no clock.

mod equipment;
mod exercise;
mod make;
mod not_proven;
mod order;
mod order_rules;
mod points;
mod power;
mod questions;
mod shape;

pub use equipment::{AirFrom, CurrentBand, EquipmentPlan, MachineTimes, StepOnMachines};
pub use exercise::{Exercise, Serves, exercises, self_test_plan, timed_quantities};
pub use make::{PlanError, make_plan, make_plan_in};
pub use order::CallOrder;
pub use power::{Interruption, PlannedLevel, PowerPlan, SupplyCondition};
pub use shape::{
    CallLeftOut, MadeBy, Plan, PlannedChangeover, PlannedDrive, PlannedMeter, PlannedStep,
    SensePoint, Target,
};
