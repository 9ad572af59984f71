package standin

// capabilities is the CapabilityStatement: what the switches leave standing,
// no more (hl7.org/fhir/R4/capabilitystatement.html).
func (r *Record) capabilities() []byte {
	r.mu.RLock()
	s := r.switches
	r.mu.RUnlock()
	if s.Boasts {
		s = Switches{}
	}
	versioning := "versioned"
	if s.NoVersions {
		versioning = "no-version"
	}
	array := func(list ...*node) *node { return &node{kind: isArray, items: list} }
	interactions := func(codes ...string) *node {
		n := array()
		for _, c := range codes {
			n.items = append(n.items, object("code", c))
		}
		return n
	}
	var resources []*node
	for _, t := range resourceTypes {
		if t == "Substance" && s.NoSubstance {
			continue
		}
		does := interactions("read", "vread", "update", "history-instance", "create", "search-type")
		params := array(object("name", "_id", "type", "token"))
		if types[t].elements["identifier"] != nil {
			params.items = append(params.items, object("name", "identifier", "type", "token"))
		}
		resources = append(resources, object("type", t, "interaction", does, "versioning", versioning,
			"conditionalCreate", !s.NoConditionalCreate, "conditionalUpdate", true,
			"updateCreate", !s.NoClientIDs, "searchParam", params))
	}
	rest := object("mode", "server", "resource", resources)
	if !s.NoTransaction {
		rest.set("interaction", interactions("transaction"))
	}
	return object("resourceType", "CapabilityStatement", "status", "active",
		"date", "2026-01-01", "kind", "instance",
		"implementation", object("description", "Invented record system for demonstrations and tests"),
		"fhirVersion", "4.0.1", "format", array(text("json")), "rest", array(rest)).render(nil)
}
