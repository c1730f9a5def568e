// Package house holds the tests of the house itself: who may import whom, and
// that nothing under rules can see a clock.
package house

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// allowed lists for every folder with Go code what it may import of this
// module and of other people's. "std" alone is understood. Don't loosen a line
// to get a build through: the direction cmd → agent or collector → rules is
// what lets each part be read, tested and replaced alone. Agent and collector
// never import each other: they meet on the wire.
var allowed = map[string][]string{
	"rules/unit":     {},
	"rules/receipt":  {},
	"rules/bundle":   {"rules/receipt"},
	"rules/reading":  {"rules/unit", "rules/receipt", "github.com/influxdata/line-protocol/v2/lineprotocol"},
	"rules/logfile":  {"rules/unit", "rules/reading"},
	"rules/means":    {"rules/unit", "rules/reading"},
	"rules/moistair": {"rules/unit"},
	"rules/coating":  {"rules/unit", "rules/moistair"},
	"rules/current":  {"rules/unit", "rules/moistair", "rules/reading", "rules/means", "rules/finding", "rules/sun"},
	"rules/sun":      {"rules/unit"},
	"rules/exposure": {"rules/unit", "rules/moistair", "rules/reading", "rules/sun"},
	"rules/finding":  {"rules/unit", "rules/reading", "rules/exposure", "rules/equal"},
	"rules/alarm":    {"rules/unit", "rules/finding"},
	"rules/fact":     {"rules/unit", "rules/exposure", "rules/reading", "rules/sensing", "rules/sun"},
	"rules/life":     {"rules/unit", "rules/exposure", "rules/fact", "rules/finding", "rules/alarm"},
	"rules/bench":    {"rules/unit", "rules/fact"},
	"rules/stock":    {"rules/unit"},
	"rules/need":     {"rules/unit", "rules/finding", "rules/life", "rules/bench"},
	"rules/round":    {},
	"rules/assess":   {"rules/unit", "rules/moistair", "rules/reading", "rules/sun", "rules/exposure", "rules/finding", "rules/means", "rules/breathing", "rules/box", "rules/outlook", "rules/equal"},
	"rules/boxsim":   {"rules/unit", "rules/moistair", "rules/reading"},
	"rules/detect":   {},

	"rules/season":    {"rules/unit", "rules/moistair", "rules/exposure"},
	"rules/equal":     {"rules/unit", "rules/moistair", "rules/exposure"},
	"rules/undercool": {"rules/unit", "rules/reading", "rules/sun", "rules/exposure"},
	"rules/outlook":   {"rules/unit", "rules/sun"},
	"rules/corrosion": {"rules/unit", "rules/reading"},
	"rules/box":       {"rules/equal", "rules/unit", "rules/reading", "rules/sun", "rules/finding", "rules/means", "rules/breathing", "rules/current", "rules/sensing"},
	"rules/sensing":   {"rules/unit", "rules/moistair", "rules/reading", "rules/finding", "rules/means", "rules/salt"},
	"rules/salt":      {},
	"rules/breathing": {"rules/unit", "rules/moistair", "rules/reading", "rules/finding", "rules/means"},

	"agent/board":          {"agent/sensor/sysfs", "golang.org/x/sys/unix"},
	"agent/carry":          {"rules/unit", "rules/reading"},
	"agent/systemd":        {},
	"agent/spool":          {},
	"agent/sample":         {"rules/unit", "rules/reading", "golang.org/x/sys/unix"},
	"agent/sensor":         {"agent/sensor/signal", "rules/reading"},
	"agent/sensor/signal":  {},
	"agent/sensor/crc8":    {},
	"agent/sensor/sysfs":   {},
	"agent/sensor/i2cbus":  {"periph.io/x/host/v3/sysfs"},
	"agent/sensor/sht3x":   {"agent/sensor", "agent/sensor/crc8", "agent/sensor/i2cbus"},
	"agent/sensor/sht4x":   {"agent/sensor", "agent/sensor/crc8", "agent/sensor/i2cbus"},
	"agent/sensor/bme280":  {"agent/sensor", "agent/sensor/i2cbus"},
	"agent/sensor/ina":     {"agent/sensor", "agent/sensor/i2cbus"},
	"agent/sensor/ina219":  {"agent/sensor/i2cbus", "agent/sensor/ina"},
	"agent/sensor/ina226":  {"agent/sensor/i2cbus", "agent/sensor/ina"},
	"agent/sensor/ads1115": {"agent/sensor", "agent/sensor/i2cbus"},
	"agent/sensor/iio":     {"agent/sensor", "agent/sensor/sysfs"},
	"agent/sensor/hwmon":   {"agent/sensor", "agent/sensor/sysfs"},
	"agent/sensor/w1":      {"agent/sensor"},
	"agent/sensor/modbus":  {"agent/sensor", "github.com/simonvetter/modbus"},
	"agent/sensor/replay":  {"rules/unit", "rules/reading"},
	"agent/sensor/sim":     {"rules/unit", "rules/reading", "rules/boxsim"},
	"agent/publish":        {"rules/unit", "rules/reading", "rules/receipt", "github.com/eclipse/paho.mqtt.golang"},
	"agent":                {"agent/*", "rules/*", "github.com/BurntSushi/toml"},

	"collector/record":   {"rules/*"},
	"collector/store":    {"collector/record", "rules/*", "github.com/klauspost/compress/zstd", "modernc.org/sqlite", "modernc.org/sqlite/lib", "github.com/jackc/pgx/v5", "github.com/jackc/pgx/v5/stdlib", "github.com/pressly/goose/v3", "github.com/pressly/goose/v3/lock"},
	"collector/books":    {"collector/record", "rules/*", "golang.org/x/text/unicode/norm"},
	"collector/broker":   {"rules/receipt", "github.com/mochi-mqtt/server/v2/*", "github.com/mochi-mqtt/server/v2"},
	"collector/identity": {"collector/record", "rules/unit"},
	"collector/export":   {"collector/record", "rules/*", "github.com/influxdata/line-protocol/v2/lineprotocol"},
	"collector/feed":     {"collector/record", "collector/export", "rules/*"},
	"collector/calendar": {"collector/record", "collector/books", "collector/view", "rules/bench", "rules/unit", "github.com/arran4/golang-ical"},
	"collector/paper":    {"collector/words", "collector/record", "collector/books", "collector/view", "rules/*", "codeberg.org/go-pdf/fpdf", "golang.org/x/image/font/gofont/*", "golang.org/x/image/font/sfnt", "rsc.io/qr"},
	"collector/importer": {"collector/record", "rules/*"},
	"collector/intake":   {"collector/record", "rules/unit", "rules/reading", "rules/receipt", "github.com/eclipse/paho.mqtt.golang"},
	"collector/fold":     {"collector/record", "rules/*"},
	"collector/notify":   {"collector/record", "rules/*", "collector/link"},
	"collector/metrics":  {"collector/record", "rules/reading", "github.com/prometheus/client_golang/*"},
	"collector/backup":   {"collector/record", "collector/store", "rules/unit", "rules/fact", "rules/receipt"},
	"collector/doctor":   {"collector/record", "collector/store", "rules/unit"},
	"collector/view":     {"collector/record", "rules/*"},
	"collector/door":     {"collector/record", "rules/unit", "golang.org/x/crypto/argon2", "golang.org/x/time/rate"},
	"collector/words":    {"rules/alarm", "rules/bench", "rules/finding", "rules/reading", "rules/sensing", "github.com/BurntSushi/toml", "golang.org/x/text/language"},
	"collector/web":      {"collector/words", "collector/link", "collector/record", "collector/books", "collector/calendar", "collector/paper", "collector/export", "collector/view", "rules/fact", "rules/bench", "rules/stock", "collector/door", "rules/unit", "rules/finding", "rules/alarm", "rules/exposure", "rules/equal", "rules/reading", "rules/breathing", "collector/importer", "rules/logfile", "rules/life", "rules/coating", "rules/sensing", "rules/current", "rules/receipt", "rules/need", "rules/outlook", "rules/season"},
	"collector":          {"collector/*", "rules/*", "github.com/BurntSushi/toml"},
	"collector/link":     {"rules/unit"},

	"collector/notify/mail":    {"collector/notify", "collector/record", "github.com/wneessen/go-mail"},
	"collector/notify/webhook": {"collector/notify", "collector/record"},
	"collector/notify/topic":   {"collector/notify", "collector/record"},
	"collector/watch":          {"collector/record", "rules/unit", "rules/reading", "github.com/eclipse/paho.mqtt.golang"},

	"cmd/dewpost/demo":  {"agent", "agent/*", "collector", "collector/books", "collector/record", "rules/*"},
	"cmd/manual":        {"github.com/alecthomas/kong"},
	"cmd/service":       {"github.com/coreos/go-systemd/v22/daemon"},
	"cmd/dewpost":       {"cmd/dewpost/demo", "cmd/manual", "cmd/service", "collector", "collector/books", "collector/calendar", "collector/paper", "collector/view", "collector/export", "collector/importer", "collector/store", "collector/backup", "collector/doctor", "collector/door", "collector/record", "collector/words", "rules/*", "github.com/alecthomas/kong", "golang.org/x/term", "rsc.io/qr", "collector/notify"},
	"cmd/dewpost-agent": {"cmd/manual", "agent", "agent/*", "github.com/alecthomas/kong"},

	"deploy/house":   {},
	"deploy/install": {},
	"deploy/speed":   {},
}

// noIO are the std packages by which rules could see a clock, a file, the
// network or another process. time is allowed for its types; see bannedCalls.
var noIO = []string{"os", "net", "io/ioutil", "io/fs", "path/filepath", "syscall", "log", "log/slog", "database/sql", "runtime", "math/rand"}

var bannedCalls = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTicker", "NewTimer", "LoadLocation"}

const module = "dewpost/"

type source struct {
	path, folder string
	file         *ast.File
	test         bool
}

func sources(t *testing.T) (all []source) {
	t.Helper()
	root := filepath.Join("..", "..")
	fset := token.NewFileSet()
	require.NoError(t, filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := d.Name()
		if d.IsDir() && path != root && (strings.HasPrefix(name, ".") && name != ".." || name == "testdata") {
			return filepath.SkipDir
		}
		if filepath.Ext(name) != ".go" {
			return nil
		}
		f, err := parser.ParseFile(fset, path, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		all = append(all, source{rel, filepath.ToSlash(filepath.Dir(rel)), f, strings.HasSuffix(name, "_test.go")})
		return nil
	}))
	require.NotEmpty(t, all)
	return all
}

func TestImportsPointOneWay(t *testing.T) {
	for _, s := range sources(t) {
		if s.test {
			continue // tests may use other parts' real thing
		}
		may, ok := allowed[s.folder]
		if !ok {
			t.Errorf("%s: folder %s is in no rule: add it to the table with what it may import", s.path, s.folder)
			continue
		}
		for _, spec := range s.file.Imports {
			path, err := strconv.Unquote(spec.Path.Value)
			require.NoError(t, err)
			own, inside := strings.CutPrefix(path, module)
			if !inside && !strings.Contains(strings.SplitN(path, "/", 2)[0], ".") {
				continue // std
			}
			if !slices.ContainsFunc(may, func(rule string) bool { return matches(rule, own) }) {
				t.Errorf("%s imports %s: %s may import only %v", s.path, path, s.folder, may)
			}
		}
	}
}

func matches(rule, path string) bool {
	if all, ok := strings.CutSuffix(rule, "/*"); ok {
		return strings.HasPrefix(path, all+"/")
	}
	return path == rule
}

func TestEveryRuleStillMatchesAFolder(t *testing.T) {
	folders := map[string]bool{}
	for _, s := range sources(t) {
		folders[s.folder] = true
	}
	for folder := range allowed {
		require.True(t, folders[folder], "the table names %s, which holds no Go code", folder)
	}
}

func TestRulesSeeNoClockAndNoFiles(t *testing.T) {
	for _, s := range sources(t) {
		if s.test || !strings.HasPrefix(s.folder, "rules/") {
			continue
		}
		for _, spec := range s.file.Imports {
			path, err := strconv.Unquote(spec.Path.Value)
			require.NoError(t, err)
			require.NotContains(t, noIO, path, "%s: rules are pure", s.path)
			require.False(t, strings.HasPrefix(path, "net/") || strings.HasPrefix(path, "os/"), "%s imports %s", s.path, path)
		}
		ast.Inspect(s.file, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			if pkg, ok := sel.X.(*ast.Ident); ok && pkg.Name == "time" && pkg.Obj == nil {
				require.NotContains(t, bannedCalls, sel.Sel.Name, "%s: time is an argument of rules, never read", s.path)
			}
			return true
		})
	}
}

func TestEveryPackageSaysWhatItIs(t *testing.T) {
	documented, folders := map[string]bool{}, map[string]bool{}
	for _, s := range sources(t) {
		folders[s.folder] = true
		if s.file.Doc != nil {
			documented[s.folder] = true
		}
	}
	for folder := range folders {
		require.True(t, documented[folder], "%s has no package comment", folder)
	}
}
