package standin

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// WriteFleetSetup writes the configuration, registry and secrets for a fleet
// of so many meters on all ways into a folder, which must be empty or missing.
// Inlets take free ports; record is the base URL of a record system, for which
// a stand-in serves. config is the path of the configuration file.
func WriteFleetSetup(dir string, seed uint64, meters int, now time.Time, record string) (config string, err error) {
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return "", fmt.Errorf("standin: %s is not empty", dir)
	}
	for _, sub := range []string{"r", "s", "drop", "anchors"} {
		if err := os.MkdirAll(filepath.Join(dir, sub), 0o700); err != nil {
			return "", fmt.Errorf("standin: %w", err)
		}
	}
	var names []string
	for _, t := range fleetTables(seed, now, meters) {
		var b bytes.Buffer
		err := t.write(&b)
		if err := errors.Join(err, os.WriteFile(filepath.Join(dir, "r", t.name+".csv"), b.Bytes(), 0o600)); err != nil {
			return "", fmt.Errorf("standin: %w", err)
		}
		names = append(names, t.name)
	}
	secrets := []string{"s/push", "s/record", "s/duty"}
	for _, a := range actors {
		secrets = append(secrets, a.File)
	}
	for _, file := range secrets {
		if err := os.WriteFile(filepath.Join(dir, file), []byte(newSecret()+"\n"), 0o600); err != nil {
			return "", fmt.Errorf("standin: %w", err)
		}
	}
	const free = "127.0.0.1:0"
	var b bytes.Buffer
	if err := configuration.Execute(&b, map[string]any{
		"Ports": Ports{Web: free, MLLP: free, HTTP: free, LIS: free, POCT1A: free, Record: record}, "Actors": actors, "Tables": names,
		"Training": "none", "ControlID": ControlID, "Trainee": inTraining, "LocalRule": localRule,
		"Connections": meters + 56,
	}); err != nil {
		return "", fmt.Errorf("standin: %w", err)
	}
	config = filepath.Join(dir, "tidegate.yaml")
	if err := os.WriteFile(config, b.Bytes(), 0o600); err != nil {
		return "", fmt.Errorf("standin: %w", err)
	}
	return config, nil
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
