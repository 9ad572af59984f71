//go:build failpoints

package canary

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/fault"
	"tidegate/testkit"
)

// birds are what must not be seen: names, id, birth date and values of a
// patient who does not exist, in each form they are written.
var birds = []string{"Zyxwold", "Quorinthe", "8820461", "19470219", "1947-02-19", "6.4173", "77.0076"}

// nest collects what was said where no patient may be named, by place.
type nest struct {
	mu   sync.Mutex
	said map[string][]string
}

func (n *nest) add(place, text string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.said[place] = append(n.said[place], text)
}

// Write takes lines of the log.
func (n *nest) Write(p []byte) (int, error) {
	n.add("log", string(p))
	return len(p), nil
}

// sightings are places and texts in which a bird was seen.
func (n *nest) sightings() (list []string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for place, texts := range n.said {
		for _, text := range texts {
			for _, bird := range birds {
				if strings.Contains(strings.ToLower(text), strings.ToLower(bird)) {
					list = append(list, fmt.Sprintf("%s: %s in %.300q", place, bird, text))
				}
			}
		}
	}
	return list
}

// TestASeenBirdIsReported is the control of the test below.
func TestASeenBirdIsReported(t *testing.T) {
	for _, bird := range birds {
		n := &nest{said: map[string][]string{}}
		n.add("log", `{"level":"debug","message":"about `+strings.ToUpper(bird)+`."}`)
		require.Len(t, n.sightings(), 1)
	}
}

// message of the patient, with the lot of the strip as given.
func message(n int, lot string, at time.Time) []byte {
	stamp := at.Format("20060102150405-0700")
	return fmt.Appendf(nil, "MSH|^~\\&|QUILL3|millrace|TIDEGATE|MILLRACE|%s||ORU^R01^ORU_R01|canary-%d|P|2.5.1\r"+
		"PID|1||8820461^^^MILLRACE^MR||Zyxwold^Quorinthe||19470219|\rOBR|1||%d^Q3-0118|INR^PT^99QUILL|||%s\r"+
		"OBX|1|NM|34714-6^INR^LN||6.4173|{INR}^^UCUM|||||F|||%s||118|QUILL3|Q3-0118^QUILL3|%s\r"+
		"OBX|2|NM|5964-2^PT^LN||77.0076|s^^UCUM|||||F|||%s||118|QUILL3|Q3-0118^QUILL3|%s\r"+
		"OBX|3|ST|STRIPLOT^Strip lot^99QUILL||%s||||||F\r", stamp, n, 500_000+n, stamp, stamp, stamp, stamp, stamp, lot)
}

// inputs are messages from good to garbage, each naming the patient, but never
// in MSH-10: an acknowledgement has to repeat that (HL7 v2.5.1, MSA-2).
func inputs() (list [][]byte) {
	at := time.Now().Add(-20 * time.Minute)
	good := message(1, "Q2411", at)
	list = append(list, good, good, message(2, "Q2499", at.Add(time.Second)))
	for i, change := range [][2]string{
		{"ORU^R01^ORU_R01", "ADT^A01^ADT_A01"},
		{"|2.5.1\r", "|9.9\r"},
		{"|P|2.5.1", "||2.5.1"},
		{"6.4173", "Zyxwold"},
		{"19470219", "Quorinthe"},
		{"MSH|^~\\&|", "MSH|"},
		{"MSH|", "PID|"},
		{"\rOBR|", "\r8820461|"},
		{"8820461^^^MILLRACE^MR", "8820461^^^ELSEWHERE^MR"},
		{"Quorinthe", "Quorinthe\xff\xfe"},
		{"Q3-0118", "8820461"},
	} {
		changed := bytes.ReplaceAll(message(10+i, "Q2411", at.Add(time.Duration(i+2)*time.Second)), []byte(change[0]), []byte(change[1]))
		list = append(list, changed)
	}
	return append(list, []byte("Zyxwold Quorinthe 8820461"), bytes.Repeat([]byte("Zyxwold|8820461\r"), 200_000), good[:len(good)/2])
}

func TestMain(m *testing.M) { testkit.Main(m) }

func TestNoPatientIsNamedWhereNoneMayBe(t *testing.T) {
	h := testkit.NewHouse(t, testkit.Options{AllInlets: true})
	patients := filepath.Join(h.Dir, "r", "patients.csv")
	f, err := os.OpenFile(patients, os.O_APPEND|os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = f.WriteString("MILLRACE,8820461,Zyxwold,Quorinthe,1947-02-19,F\n")
	require.NoError(t, err)
	require.NoError(t, f.Close())
	n := &nest{said: map[string][]string{}}
	c, end := h.Here(n)
	load := testkit.NewLoad(h)
	load.Aim(c)
	load.SendControls()

	send := func() {
		for _, raw := range inputs() {
			answer, err := testkit.Say(c, raw)
			n.add("acknowledgement", fmt.Sprint(string(answer), err))
			status, body, err := h.Post(c, raw)
			n.add("http answer", fmt.Sprint(status, string(body), err))
		}
	}
	send()
	for i, raw := range inputs() {
		for _, ending := range []string{".hl7", ".csv"} {
			at := filepath.Join(h.Setup.Drop, fmt.Sprintf("file-%d%s", i, ending))
			require.NoError(t, os.WriteFile(at+".tmp", raw, 0o600))
			require.NoError(t, os.Rename(at+".tmp", at))
		}
	}
	cutOff(t, c, inputs()[0])
	h.Rest(c, load.Acked())
	api(h, c, n)
	pages(t, h, c, n)

	for _, point := range []string{"mllp.accepted", "httpin.accepted", "store.decided"} {
		fault.Set(point, func() { panic("Zyxwold Quorinthe 8820461") })
		answer, err := testkit.Say(c, message(700, "Q2411", time.Now()))
		n.add("answer in a panic", fmt.Sprint(string(answer), err))
		status, body, err := h.Post(c, message(701, "Q2411", time.Now()))
		n.add("answer in a panic", fmt.Sprint(status, string(body), err))
		fault.Set(point, nil)
	}
	h.Rest(c, load.Acked())
	if res, err := http.Get(c.Web + "metrics"); err == nil {
		body, _ := io.ReadAll(res.Body)
		_ = res.Body.Close()
		n.add("metrics", string(body))
		require.Contains(t, string(body), "tidegate_arrivals_total")
	}
	if err := end(); err != nil {
		n.add("end", err.Error())
	}
	require.Positive(t, len(n.said["log"]), "the log was not captured")
	seen := n.sightings()
	require.Empty(t, seen[:min(len(seen), 20)], "%d sightings", len(seen))
}

// cutOff leaves in the middle of a frame.
func cutOff(t *testing.T, c *testkit.Child, raw []byte) {
	t.Helper()
	conn, err := net.Dial("tcp", c.Inlets["bench"])
	require.NoError(t, err)
	_, err = conn.Write(append([]byte{0x0b}, raw...))
	require.NoError(t, err)
	require.NoError(t, conn.Close())
}

// api asks for what is refused, naming the patient.
func api(h *testkit.House, c *testkit.Child, n *nest) {
	for _, q := range []struct {
		who, method, path string
		body              any
	}{
		{"c.hale", "POST", "find", map[string]any{"text": []string{"Zyxwold"}}},
		{"c.hale", "POST", "find", "Zyxwold 8820461"},
		{"c.hale", "POST", "holds/8820461/settle", map[string]any{"act": "Zyxwold", "version": 1}},
		{"c.hale", "GET", "holds/Zyxwold", nil},
		{"c.hale", "GET", "results/8820461", nil},
		{"c.hale", "GET", "arrivals/8820461", nil},
		{"nobody", "GET", "holds", nil},
		{"c.hale", "POST", "registry/patients", map[string]any{"patients": []map[string]string{{"id": "8820461", "birth_date": "Zyxwold"}}}},
		{"c.hale", "POST", "registry/Zyxwold", nil},
	} {
		status, body, err := h.Ask(c, q.who, q.method, q.path, q.body)
		if status >= 400 {
			n.add("problem answer to "+q.method, string(body))
		}
		if err != nil {
			n.add("no answer", strings.ReplaceAll(err.Error(), q.path, "PATH")) // the path was the test's own
		}
	}
}

var (
	title = regexp.MustCompile(`(?s)<title>.*?</title>`)
	links = regexp.MustCompile(`(?:href|src|action)="[^"]*"`)
)

// pages signs in, looks for the patient, and walks along every link. Pages may
// show a patient; their titles, links and addresses may not.
func pages(t *testing.T, h *testkit.House, c *testkit.Child, n *nest) {
	t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	client := &http.Client{Jar: jar, Timeout: 10 * time.Second, CheckRedirect: func(req *http.Request, _ []*http.Request) error {
		n.add("location", req.URL.String())
		return nil
	}}
	look := func(res *http.Response, err error) string {
		require.NoError(t, err)
		defer res.Body.Close()
		body, err := io.ReadAll(res.Body)
		require.NoError(t, err)
		n.add("title", title.FindString(string(body)))
		for name, values := range res.Header {
			n.add("header "+name, strings.Join(values, " "))
		}
		if res.StatusCode >= 400 {
			n.add("error page", string(body))
		}
		for _, link := range links.FindAllString(string(body), -1) {
			n.add("link", link)
		}
		return string(body)
	}
	look(client.PostForm(c.Web+"sign-in", url.Values{"token": {h.Setup.Tokens["c.hale"]}}))
	found := ""
	for _, text := range []string{"8820461", "Zyxwold", "Q3-0118:500001"} {
		found += look(client.PostForm(c.Web+"find", url.Values{"text": {text}}))
	}
	seen, todo := map[string]bool{}, []string{"", "holds", "find"}
	for _, link := range links.FindAllString(found, -1) {
		todo = append(todo, strings.TrimPrefix(link[strings.IndexByte(link, '"')+1:len(link)-1], "/"))
	}
	for len(todo) > 0 && len(seen) < 150 {
		at := todo[0]
		todo = todo[1:]
		if seen[at] || strings.Contains(at, ":") || strings.HasPrefix(at, "static") || strings.HasPrefix(at, "#") {
			continue
		}
		seen[at] = true
		res, err := client.Get(c.Web + at)
		for _, link := range links.FindAllString(look(res, err), -1) {
			if strings.HasPrefix(link, `href="/`) {
				todo = append(todo, link[len(`href="/`):len(link)-1])
			}
		}
	}
	require.Greater(t, len(seen), 5, "few pages were walked: %v", seen)
}
