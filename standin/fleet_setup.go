package standin

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// FleetSetup is a complete set-up that was written for a fleet.
type FleetSetup struct {
	Config      string // path of the configuration file
	RecordToken string // that the record system asks for
}

// WriteFleetSetup writes the configuration, registry and secrets for a fleet
// of so many meters on all ways into a folder, which must be empty or missing.
// Inlets take free ports; record is the base URL of a record system, for which
// a stand-in serves.
func WriteFleetSetup(dir string, seed uint64, meters int, now time.Time, record string) (FleetSetup, error) {
	s := FleetSetup{Config: filepath.Join(dir, "tidegate.yaml")}
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return s, fmt.Errorf("standin: %s is not empty", dir)
	}
	for _, sub := range []string{"r", "s", "drop", "anchors"} {
		if err := os.MkdirAll(filepath.Join(dir, sub), 0o700); err != nil {
			return s, fmt.Errorf("standin: %w", err)
		}
	}
	var names []string
	for _, t := range fleetTables(seed, now, meters) {
		var b bytes.Buffer
		err := t.write(&b)
		if err := errors.Join(err, os.WriteFile(filepath.Join(dir, "r", t.name+".csv"), b.Bytes(), 0o600)); err != nil {
			return s, fmt.Errorf("standin: %w", err)
		}
		names = append(names, t.name)
	}
	secrets := []string{"s/push", "s/record", "s/duty"}
	for _, a := range actors {
		secrets = append(secrets, a.File)
	}
	for _, file := range secrets {
		word := newSecret()
		if file == "s/record" {
			s.RecordToken = word
		}
		if err := os.WriteFile(filepath.Join(dir, file), []byte(word+"\n"), 0o600); err != nil {
			return s, fmt.Errorf("standin: %w", err)
		}
	}
	const free = "127.0.0.1:0"
	var b bytes.Buffer
	if err := configuration.Execute(&b, map[string]any{
		"Ports": Ports{Web: free, MLLP: free, HTTP: free, LIS: free, POCT1A: free, Record: record}, "Actors": actors, "Tables": names,
		"Training": "none", "ControlID": ControlID, "Trainee": inTraining, "LocalRule": localRule,
		"Connections": meters + 56, "Continuous": true,
	}); err != nil {
		return s, fmt.Errorf("standin: %w", err)
	}
	if err := os.WriteFile(s.Config, b.Bytes(), 0o600); err != nil {
		return s, fmt.Errorf("standin: %w", err)
	}
	return s, nil
}

// FleetPatients are the patients of a registry as a record system knows them.
func (r *FleetRegistry) FleetPatients() []Patient {
	gender := map[string]string{"F": "female", "M": "male"}
	var out []Patient
	for i, p := range r.tables["patients"] {
		if p["authority"] != authority {
			continue
		}
		out = append(out, Patient{
			ID: fmt.Sprintf("p-%d", i+1), System: systemOf, Value: p["id"], Family: p["family"], Given: p["given"],
			BirthDate: day(p["birth_date"]), Gender: gender[p["sex"]],
		})
	}
	return out
}
