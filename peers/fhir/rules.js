'use strict';
// Invariants that the structural validators leave out. Expressions: the FHIR
// R4 definitions of Observation, Quantity and Period; us-core-*: US Core 6.1.0,
// us-core-observation-lab.
const fhirpath = require('fhirpath');
const r4 = require('fhirpath/fhir-context/r4');

const rules = [
  ['obs-3', 'Observation', 'referenceRange.all(low.exists() or high.exists() or text.exists())'],
  ['obs-6', 'Observation', 'dataAbsentReason.empty() or value.empty()'],
  ['obs-7', 'Observation', 'value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()'],
  ['qty-3', '*', 'descendants().where(system.exists() or code.exists()).where(value.exists() or unit.exists()).all(code.empty() or system.exists())'],
  ['per-1', '*', "descendants().where(start.exists() and end.exists()).all(start <= end)"],
  ['us-core-1', 'Observation', 'effective.empty() or effective.toString().length() >= 10'],
  ['us-core-2', 'Observation', '(component.empty() and hasMember.empty()) implies (dataAbsentReason.exists() or value.exists())'],
  ['us-core-3', 'Observation', "value.where(code.exists()).all(system.empty() or system = 'http://unitsofmeasure.org')"],
  ['us-core-lab-category', 'Observation', "category.coding.where(system = 'http://terminology.hl7.org/CodeSystem/observation-category' and code = 'laboratory').exists()"],
].map(([key, type, expression]) => ({ key, type, holds: fhirpath.compile(expression, r4) }));

function judge(resource) {
  const found = [];
  for (const r of rules) {
    if (r.type !== '*' && r.type !== resource.resourceType) continue;
    const [holds] = r.holds(resource, { resource });
    if (holds !== true) found.push([r.key, `${r.key} does not hold`]);
  }
  return found;
}

module.exports = { judge };
