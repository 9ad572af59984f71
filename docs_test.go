package tidegate_test

import (
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// documents lists every page of ours.
func documents(t *testing.T) []string {
	t.Helper()
	var out []string
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if d != nil && d.IsDir() && slices.Contains([]string{"node_modules", ".git", "tmp"}, d.Name()) {
			return filepath.SkipDir
		}
		if err == nil && strings.HasSuffix(path, ".md") {
			out = append(out, path)
		}
		return err
	})
	if err != nil || len(out) < 5 {
		t.Fatalf("found %d documents: %v", len(out), err)
	}
	return out
}

func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestLinksLeadSomewhere(t *testing.T) {
	link := regexp.MustCompile(`\]\(([^)#]+)(#[^)]*)?\)`)
	for _, doc := range documents(t) {
		for _, m := range link.FindAllStringSubmatch(read(t, doc), -1) {
			if strings.Contains(m[1], "://") {
				continue
			}
			if _, err := os.Stat(filepath.Join(filepath.Dir(doc), m[1])); err != nil {
				t.Errorf("%s links to %s, which is not there", doc, m[1])
			}
		}
	}
}

// TestCommandsExist: every command that a document tells to run is one.
func TestCommandsExist(t *testing.T) {
	help, err := exec.Command("go", "run", "./cmd/tidegate", "--help").CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, help)
	}
	named := regexp.MustCompile("(?:`|bin/|^|\\s)tidegate ([a-z]+)(?: |`|$)")
	for _, doc := range documents(t) {
		for _, m := range named.FindAllStringSubmatch(read(t, doc), -1) {
			if slices.Contains([]string{"stands", "is", "takes", "started", "at", "to", "a"}, m[1]) {
				continue // a sentence, not a command
			}
			if !strings.Contains(string(help), "\n  "+m[1]+" ") {
				t.Errorf("%s names `tidegate %s`, which does not exist", doc, m[1])
			}
		}
	}
}

// TestMetricsAreDocumented holds docs/operating.md and app/metrics.go together.
func TestMetricsAreDocumented(t *testing.T) {
	doc, code := read(t, "docs/operating.md"), read(t, "app/metrics.go")
	inCode := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?:counter|desc)\("([a-z_]+)"|Name: "([a-z_]+)"`).FindAllStringSubmatch(code, -1) {
		inCode["tidegate_"+m[1]+m[2]] = true
	}
	inDoc := map[string]bool{}
	for _, m := range regexp.MustCompile("`(tidegate_[a-z_]+)`").FindAllStringSubmatch(doc, -1) {
		inDoc[m[1]] = true
	}
	for name := range inCode {
		if !inDoc[name] {
			t.Errorf("docs/operating.md does not tell of %s", name)
		}
	}
	for name := range inDoc {
		if !inCode[name] {
			t.Errorf("docs/operating.md tells of %s, which does not exist", name)
		}
	}
}

// TestKeysAreDocumented: every key that docs/wiring.md puts into a table, and
// every key of a profile or an outlet, exists in both.
func TestKeysAreDocumented(t *testing.T) {
	doc := read(t, "docs/wiring.md")
	for _, file := range []string{"mapping/config.go", "outbound/config.go", "outbound/fhirconfig.go", "outbound/auditconfig.go", "outbound/hl7v2config.go", "outbound/streamconfig.go", "outbound/folder.go", "outbound/letter.go", "outbound/tls.go", "notify/config.go", "config/watch.go"} {
		for _, m := range regexp.MustCompile(`yaml:"([a-z0-9_]+)`).FindAllStringSubmatch(read(t, file), -1) {
			if !regexp.MustCompile(`\b` + m[1] + `\b`).MatchString(doc) {
				t.Errorf("docs/wiring.md does not tell of %s (%s)", m[1], file)
			}
		}
	}
}

// TestShownTestsExist: a test that docs/security.md points at can be run.
func TestShownTestsExist(t *testing.T) {
	for _, m := range regexp.MustCompile("`(Test[A-Za-z0-9]+)`").FindAllStringSubmatch(read(t, "docs/security.md"), -1) {
		out, err := exec.Command("git", "grep", "-lE", "func "+m[1]+`\(`, "--", "*_test.go").Output()
		if err != nil || len(out) == 0 {
			t.Errorf("docs/security.md points at %s, which does not exist", m[1])
		}
	}
}
