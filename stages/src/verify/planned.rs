//! As planned: the text's motions against the plan's.
use grainway_pipeline::dialect::ReadMove;
use grainway_pipeline::work::{Program, Setup, Verdict, Work};
pub(super) struct Plan;
impl Plan {
    pub(super) fn new(_work: &Work, _setup: &Setup, _program: &Program) -> Plan { Plan }
}
pub(super) struct Comparison;
impl Comparison {
    pub(super) fn new(_plan: Plan) -> Comparison { Comparison }
    pub(super) fn next(&mut self, _m: &ReadMove) {}
    pub(super) fn verdict(self, _setup: &Setup, _name: &str) -> Verdict { Verdict { passed: false, figures: vec![], findings: vec![] } }
}
