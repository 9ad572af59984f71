package notify

import (
	"encoding/json"
	"time"

	"tidegate/poct"
)

// notice is what the other side gets: these keys, always all of them, and no
// other. It is written out here, not taken from poct.Notification, so that a
// field added there does not leave the house by itself.
type notice struct {
	ID   string    `json:"id"`
	Kind string    `json:"kind"`
	Site string    `json:"site"`
	Hold string    `json:"hold"`
	Code string    `json:"code"`
	Step int       `json:"step"`
	At   time.Time `json:"at"`
}

func render(n poct.Notification) ([]byte, error) {
	return json.Marshal(notice{ID: n.ID, Kind: n.Kind, Site: n.Site, Hold: n.Hold, Code: n.Code, Step: n.Step, At: n.At.UTC()})
}
