// Package install holds what must hold of an installation: packages that
// install, upgrade and go without a trace, units that keep services in their
// place, programs that are small.
package install

import (
	"bytes"
	"crypto/sha256"
	"debug/elf"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The most that systemd-analyze may say of how exposed a service is.
const (
	mostExposedAgent     = 1.8
	mostExposedCollector = 1.5
)

// TestExposure asks systemd how much of the machine the services could reach.
func TestExposure(t *testing.T) {
	exposed(t, "dewpost-agent", mostExposedAgent)
	exposed(t, "dewpost", mostExposedCollector)
}

var overall = regexp.MustCompile(`Overall exposure level for \S+: ([0-9.]+)`)

func exposed(t *testing.T, unit string, most float64) string {
	t.Helper()
	out, err := exec.Command("systemd-analyze", "security", "--offline=true", "--no-pager",
		"--threshold="+strconv.Itoa(int(most*10)), filepath.Join("..", "package", unit+".service")).CombinedOutput()
	require.NoError(t, err, string(out))
	m := overall.FindSubmatch(out)
	require.NotNil(t, m, string(out))
	level, err := strconv.ParseFloat(string(m[1]), 64)
	require.NoError(t, err)
	require.LessOrEqual(t, level, most)
	return string(m[1])
}

// TestUnitsNameWhatIsInstalled compares units with the packages' files.
func TestUnitsNameWhatIsInstalled(t *testing.T) {
	for _, name := range []string{"dewpost", "dewpost-agent"} {
		unit, err := os.ReadFile(filepath.Join("..", "package", name+".service"))
		require.NoError(t, err)
		for _, want := range []string{
			"Type=notify\n", "\nExecStart=/usr/bin/" + name + " ", "\nUser=" + name + "\n", "\nStateDirectory=" + name + "\n",
			"\nLoadCredential=secret:/etc/" + name + "/secrets\n", "\nWatchdogSec=",
		} {
			require.Contains(t, string(unit), want)
		}
		if name == "dewpost-agent" { // it measures without
			require.NotContains(t, string(unit), "network-online")
		}
	}
}

// TestStepsAreTheReadmes looks that what is tried in a root of its own is what the
// README tells people to type.
func TestStepsAreTheReadmes(t *testing.T) {
	readme, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	require.NoError(t, err)
	steps, err := os.ReadFile(filepath.Join("testdata", "steps.sh"))
	require.NoError(t, err)
	_, section, ok := strings.Cut(string(readme), "\n## Installed\n")
	require.True(t, ok)
	section, _, _ = strings.Cut(section, "\n## ")
	tried := 0
	for line := range strings.Lines(section) {
		for _, of := range []string{"sudo -u dewpost dewpost station add", "sudo install ", "sudo sh -c 'sed ", "sudo cp /usr", "sudo systemctl restart dewpost\n"} {
			if strings.HasPrefix(line, of) {
				line = strings.NewReplacer("sudo -u ", "as ", "sudo ", "").Replace(line)
				require.Contains(t, string(steps), line)
				tried++
			}
		}
	}
	require.Equal(t, 6, tried)
}

// TestInstall is the proof of that name. At full scale all architectures are
// built, and the second time from nothing that was compiled before.
func TestInstall(t *testing.T) {
	full := os.Getenv("PROOF_SCALE") == "full"
	archs := []string{"amd64"}
	if full {
		archs = []string{"amd64", "arm64", "armhf"}
	}
	packages, again := t.TempDir(), t.TempDir()
	elsewhere := filepath.Join(t.TempDir(), "another", "folder")
	copyTree(t, filepath.Join("..", ".."), elsewhere)
	level := []string{"GZIP_LEVEL=1"} // what it takes is nothing that is proven here
	env := level
	if full {
		level, env = nil, []string{"GOCACHE=" + t.TempDir()}
	}
	build(t, filepath.Join("..", ".."), packages, level, archs)
	listed(t, packages)
	builtFor(t, packages)
	var complaints, leftovers int
	atOnce(t, func(t *testing.T) { leftovers = inARootOfItsOwn(t, packages) },
		func(t *testing.T) { complaints = lint(t, packages) },
		func(t *testing.T) {
			build(t, elsewhere, again, env, archs)
			require.Equal(t, sums(t, packages), sums(t, again), "built in another folder")
		})
	fmt.Printf("install: exposure_agent=%s exposure_collector=%s lintian=%d leftovers=%d reproducible=true\n",
		exposed(t, "dewpost-agent", mostExposedAgent), exposed(t, "dewpost", mostExposedCollector), complaints, leftovers)
}

// listed looks that each package has a list of what is linked into its program,
// by name, version and checksum, and that it isn't the other one's.
func listed(t *testing.T, dir string) {
	t.Helper()
	for _, deb := range debs(t, dir) {
		text, err := os.ReadFile(strings.TrimSuffix(deb, ".deb") + ".cdx.json")
		require.NoError(t, err)
		var list struct {
			Format     string `json:"bomFormat"`
			Version    string `json:"specVersion"`
			Components []struct {
				Name    string `json:"name"`
				Version string `json:"version"`
				Hashes  []any  `json:"hashes"`
			} `json:"components"`
		}
		require.NoError(t, json.Unmarshal(text, &list))
		require.Equal(t, "CycloneDX", list.Format)
		require.NotEmpty(t, list.Version)
		names := map[string]bool{}
		for _, c := range list.Components {
			require.NotEmpty(t, c.Version, c.Name)
			names[c.Name] = len(c.Hashes) > 0
		}
		agent := strings.HasPrefix(filepath.Base(deb), "dewpost-agent_")
		require.True(t, names["github.com/BurntSushi/toml"], deb)
		require.Equal(t, !agent, names["github.com/mochi-mqtt/server/v2"], deb)
		require.Equal(t, !agent, names["modernc.org/sqlite"], deb)
	}
}

// machines are the processors that programs of Debian's architectures are for.
var machines = map[string]elf.Machine{"amd64": elf.EM_X86_64, "arm64": elf.EM_AARCH64, "armhf": elf.EM_ARM}

// builtFor looks that each package has a program for its architecture, that
// needs nothing from the machine.
func builtFor(t *testing.T, dir string) {
	t.Helper()
	for _, deb := range debs(t, dir) {
		arch := strings.TrimSpace(run(t, nil, "dpkg-deb", "-f", deb, "Architecture"))
		require.Contains(t, deb, "_"+arch+".deb")
		content := t.TempDir()
		run(t, nil, "dpkg-deb", "-x", deb, content)
		name := strings.TrimSpace(run(t, nil, "dpkg-deb", "-f", deb, "Package"))
		papers(t, content, name)
		program, err := elf.Open(filepath.Join(content, "usr", "bin", name))
		require.NoError(t, err)
		require.Equal(t, machines[arch], program.Machine, deb)
		libraries, err := program.ImportedLibraries()
		require.NoError(t, err)
		require.Empty(t, libraries, deb)
		require.NoError(t, program.Close())
	}
}

// named are the files that a text means to lie in a package's papers, beside it or
// by their full path.
var named = regexp.MustCompile(`/usr/share/doc/[a-z-]+/[A-Za-z./-]+[a-z]|deploy/[A-Za-z.-]+\.(?:toml|conf|acl|md)|fitting/[a-z]+\.svg`)

// papers looks that what a package's papers name is in it, unless it is in the
// other one.
func papers(t *testing.T, content, name string) {
	t.Helper()
	doc := filepath.Join(content, "usr", "share", "doc", name)
	found := 0
	for _, pattern := range []string{"*.md", "*.md.gz", "examples/*"} {
		list, err := filepath.Glob(filepath.Join(doc, pattern))
		require.NoError(t, err)
		for _, path := range list {
			for _, file := range named.FindAllString(run(t, nil, "gzip", "-cdf", path), -1) {
				own, whole := strings.CutPrefix(file, "/usr/share/doc/"+name+"/")
				if !whole && strings.HasPrefix(file, "/") {
					continue
				}
				require.FileExists(t, filepath.Join(doc, own), path)
				found++
			}
		}
	}
	require.Positive(t, found)
}

// atOnce does several things at once, and goes on when all are done well.
func atOnce(t *testing.T, do ...func(*testing.T)) {
	t.Helper()
	require.True(t, t.Run("at once", func(t *testing.T) {
		for i, f := range do {
			t.Run(strconv.Itoa(i), func(t *testing.T) {
				t.Parallel()
				f(t)
			})
		}
	}))
}

func build(t *testing.T, root, out string, env, archs []string) {
	t.Helper()
	run(t, env, "bash", append([]string{filepath.Join(root, "deploy", "package.sh"), out}, archs...)...)
}

func run(t *testing.T, env []string, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Env = append(os.Environ(), env...)
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, string(out))
	return string(out)
}

// copyTree copies the source, without what version control keeps.
func copyTree(t *testing.T, from, to string) {
	t.Helper()
	require.NoError(t, filepath.WalkDir(from, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && d.Name() == ".git" {
			return fs.SkipDir
		}
		rel, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		at := filepath.Join(to, rel)
		if d.IsDir() {
			return os.MkdirAll(at, 0o755)
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return os.WriteFile(at, text, 0o600) // other rights than in the tree, on purpose
	}))
}

func sums(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range entries {
		text, err := os.ReadFile(filepath.Join(dir, e.Name()))
		require.NoError(t, err)
		all[e.Name()] = fmt.Sprintf("%x", sha256.Sum256(text))
	}
	require.NotEmpty(t, all)
	return all
}

func debs(t *testing.T, dir string) []string {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(dir, "*.deb"))
	require.NoError(t, err)
	require.NotEmpty(t, list)
	return list
}

// lint returns the number of lines that lintian has to say.
func lint(t *testing.T, dir string) int {
	t.Helper()
	out, err := exec.Command("lintian", append([]string{"--allow-root", "--fail-on", "error,warning"}, debs(t, dir)...)...).CombinedOutput()
	require.NoError(t, err, string(out))
	n := bytes.Count(out, []byte("\n"))
	require.Zero(t, n, string(out))
	return n
}

// inARootOfItsOwn installs, uses, upgrades, removes and purges, and returns how
// many files are left over, under systemd. testdata/root.sh says how.
func inARootOfItsOwn(t *testing.T, packages string) int {
	t.Helper()
	amd64, newer := t.TempDir(), t.TempDir()
	for _, deb := range debs(t, packages) {
		if !strings.HasSuffix(deb, "_amd64.deb") {
			continue
		}
		require.NoError(t, os.Link(deb, filepath.Join(amd64, filepath.Base(deb))))
		content := t.TempDir()
		run(t, nil, "dpkg-deb", "-R", deb, content)
		control := filepath.Join(content, "DEBIAN", "control")
		text, err := os.ReadFile(control)
		require.NoError(t, err)
		text = regexp.MustCompile(`(?m)^Version: (.*)$`).ReplaceAll(text, []byte("Version: ${1}+1"))
		require.NoError(t, os.WriteFile(control, text, 0o600))
		run(t, nil, "dpkg-deb", "-b", "-Znone", content, newer)
	}
	out := run(t, nil, "unshare", "--mount", "bash", filepath.Join("testdata", "root.sh"), amd64, newer, t.TempDir())
	_, last, ok := strings.Cut(out, "leftovers=")
	require.True(t, ok, out)
	left, err := strconv.Atoi(strings.TrimSpace(last))
	require.NoError(t, err)
	require.Zero(t, left, out)
	return left
}

// TestDrawingsCanBeRead looks that the guide shows every drawing, and that each
// says in words what it shows.
func TestDrawingsCanBeRead(t *testing.T) {
	guide, err := os.ReadFile(filepath.Join("..", "FITTING.md"))
	require.NoError(t, err)
	drawings, err := filepath.Glob(filepath.Join("..", "fitting", "*"))
	require.NoError(t, err)
	require.NotEmpty(t, drawings)
	for _, path := range drawings {
		require.Contains(t, string(guide), "(fitting/"+filepath.Base(path)+")")
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		var svg struct {
			XMLName xml.Name `xml:"http://www.w3.org/2000/svg svg"`
			Title   string   `xml:"title"`
			Desc    string   `xml:"desc"`
		}
		require.NoError(t, xml.Unmarshal(text, &svg), path)
		require.NotEmpty(t, svg.Title, path)
		require.NotEmpty(t, svg.Desc, path)
	}
}
