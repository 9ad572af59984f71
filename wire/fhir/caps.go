package fhir

import (
	"encoding/json"
	"errors"
	"slices"
)

// Caps is what a record system says it can do. It may lie: probe before go-live.
type Caps struct {
	FHIRVersion string // "4.0.1"
	JSON        bool   // speaks application/fhir+json
	Transaction bool
	Resources   map[string]ResourceCaps // by resource type
}

// ResourceCaps is what it can do with one resource type.
type ResourceCaps struct {
	Create, Read, Update, Search bool
	ConditionalCreate            bool
	ConditionalUpdate            bool
	UpdateCreate                 bool // PUT with an id of ours creates
	VersionedUpdate              bool // updates need If-Match
	SearchIdentifier             bool // search parameter identifier
	Match                        bool // operation $match
	Profiles                     []string
}

type rawCaps struct {
	ResourceType string   `json:"resourceType"`
	FHIRVersion  string   `json:"fhirVersion"`
	Format       []string `json:"format"`
	Rest         []struct {
		Mode        string    `json:"mode"`
		Interaction []rawCode `json:"interaction"`
		Resource    []struct {
			Type              string    `json:"type"`
			Interaction       []rawCode `json:"interaction"`
			Versioning        string    `json:"versioning"`
			ConditionalCreate bool      `json:"conditionalCreate"`
			ConditionalUpdate bool      `json:"conditionalUpdate"`
			UpdateCreate      bool      `json:"updateCreate"`
			SupportedProfile  []string  `json:"supportedProfile"`
			SearchParam       []rawName `json:"searchParam"`
			Operation         []rawName `json:"operation"`
		} `json:"resource"`
	} `json:"rest"`
}

type rawCode struct {
	Code string `json:"code"`
}

type rawName struct {
	Name string `json:"name"`
}

func readCaps(body []byte) (Caps, error) {
	var raw rawCaps
	if json.Unmarshal(body, &raw) != nil || raw.ResourceType != "CapabilityStatement" {
		return Caps{}, errors.New("not a CapabilityStatement")
	}
	caps := Caps{FHIRVersion: raw.FHIRVersion, Resources: map[string]ResourceCaps{}}
	for _, f := range raw.Format {
		caps.JSON = caps.JSON || f == "json" || f == MediaType
	}
	for _, rest := range raw.Rest {
		if rest.Mode != "server" {
			continue
		}
		caps.Transaction = caps.Transaction || hasCode(rest.Interaction, "transaction")
		for _, r := range rest.Resource {
			caps.Resources[r.Type] = ResourceCaps{
				Create:            hasCode(r.Interaction, "create"),
				Read:              hasCode(r.Interaction, "read"),
				Update:            hasCode(r.Interaction, "update"),
				Search:            hasCode(r.Interaction, "search-type"),
				ConditionalCreate: r.ConditionalCreate,
				ConditionalUpdate: r.ConditionalUpdate,
				UpdateCreate:      r.UpdateCreate,
				VersionedUpdate:   r.Versioning == "versioned-update",
				SearchIdentifier:  hasName(r.SearchParam, "identifier"),
				Match:             hasName(r.Operation, "match"),
				Profiles:          r.SupportedProfile,
			}
		}
	}
	return caps, nil
}

func hasCode(list []rawCode, code string) bool {
	return slices.ContainsFunc(list, func(c rawCode) bool { return c.Code == code })
}

func hasName(list []rawName, name string) bool {
	return slices.ContainsFunc(list, func(n rawName) bool { return n.Name == name })
}
