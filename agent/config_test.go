package agent

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/BurntSushi/toml"
	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

const sampleFile = "../deploy/agent.toml"

// keysOf lists the keys of a configuration type, dotted.
func keysOf(t reflect.Type, prefix string) []string {
	for t.Kind() == reflect.Slice || t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct || t == reflect.TypeFor[time.Time]() {
		return nil
	}
	var keys []string
	for f := range t.Fields() {
		name, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
		key := prefix + name
		keys = append(keys, key)
		keys = append(keys, keysOf(f.Type, key+".")...)
	}
	return keys
}

var optional = regexp.MustCompile(`(?m)^# (\[|[a-z_]+ = )`)

// TestSampleDocumentsEveryKey takes the # off the optional keys of the sample:
// it must then be valid, know nothing that the program does not, and leave
// nothing out that it does.
func TestSampleDocumentsEveryKey(t *testing.T) {
	text, err := os.ReadFile(sampleFile)
	require.NoError(t, err)
	full := optional.ReplaceAllString(string(text), "$1")
	var c Config
	meta, err := toml.Decode(full, &c)
	require.NoError(t, err)
	require.Empty(t, meta.Undecoded(), "keys of the sample that the program does not know")
	var documented []string
	for _, key := range meta.Keys() {
		documented = append(documented, key.String())
	}
	slices.Sort(documented)
	known := keysOf(reflect.TypeFor[Config](), "")
	slices.Sort(known)
	require.Equal(t, known, slices.Compact(documented))
}

// TestSampleShowsDefaults compares the values behind a # with what leaving
// them out means.
func TestSampleShowsDefaults(t *testing.T) {
	text, err := os.ReadFile(sampleFile)
	require.NoError(t, err)
	var bare, full Config
	_, err = toml.Decode(string(text), &bare)
	require.NoError(t, err)
	_, err = toml.Decode(optional.ReplaceAllString(string(text), "$1"), &full)
	require.NoError(t, err)
	bare, full = bare.withDefaults(), full.withDefaults()
	// Examples, which have no default.
	full.CAFile, full.Lamp, full.Logger.Dir = "", "", ""
	full.Recovery.InterfaceCommand, full.Recovery.RebootCommand = nil, nil
	full.Stations[0].Replay = nil
	sensor := &full.Stations[0].Sensors[0]
	sensor.Serial, sensor.Calibrated, sensor.Sim = "", "", nil
	sensor.Address, sensor.ShuntOhm, sensor.Device = 0, 0, ""
	plain := Sensor{Channels: []Channel{{Name: "outside_temp_c", From: "temp"}}}
	plain.withDefaults()
	of := &sensor.Channels[0]
	of.ExcitationV, of.ReferenceOhm, of.BurdenOhm, of.LoopLow, of.LoopHigh = 0, 0, 0, 0, 0
	require.Equal(t, plain.Channels, sensor.Channels)
	sensor.Channels = nil
	require.Equal(t, bare, full)
}

// TestEveryFieldIsExplained reads the source: the comments are the manual.
func TestEveryFieldIsExplained(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "config.go", nil, parser.ParseComments)
	require.NoError(t, err)
	fields := 0
	ast.Inspect(file, func(n ast.Node) bool {
		f, ok := n.(*ast.Field)
		if ok && f.Tag != nil {
			fields++
			require.True(t, strings.HasPrefix(f.Doc.Text(), f.Names[0].Name+" "), "comment of %s", f.Names[0].Name)
		}
		return true
	})
	require.Greater(t, fields, 30)
}

// write puts a configuration and a secret into a folder of their own.
func write(t *testing.T, text string) string {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "agent.toml")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	secret, err := receipt.NewSecret([]byte("sixteen or more bytes"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "secret"), []byte(secret.Hex()+"\n"), 0o600))
	return path
}

const good = `
broker = "mqtt://127.0.0.1"
spool_dir = "spool"
[[station]]
id = "lake-07"
secret_file = "secret"
[[station.sensor]]
driver = "sim"
`

func TestLoad(t *testing.T) {
	path := write(t, good)
	c, err := Load(path)
	require.NoError(t, err)
	require.Equal(t, filepath.Join(filepath.Dir(path), "spool"), c.SpoolDir, "paths count from the file")
	require.Empty(t, c.Check())
	p := plan(c, nil, nil)
	require.Equal(t, "127.0.0.1:1883", p.broker.Host)
	require.Nil(t, p.tls)
	require.Equal(t, Duration(time.Minute), p.Stations[0].Interval)
}

func TestLoadRefuses(t *testing.T) {
	for name, test := range map[string]struct{ text, want string }{
		"unknown key":         {good + "sim.colour = 1\ninterval = \"1m\"\n", "station.sensor.sim.colour, station.sensor.interval"},
		"unknown table":       {good + "[mqtt]\nqos = 2\n", "mqtt.qos"},
		"not TOML":            {"broker = \n", "line 1"},
		"wrong kind":          {"broker = 7\n", "broker"},
		"time without a unit": {"retry = 30\n", `"30" is no time span`},
		"key twice":           {"broker = \"a\"\nbroker = \"b\"\n", "broker"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Load(write(t, test.text))
			require.ErrorContains(t, err, test.want)
			require.ErrorContains(t, err, "agent.toml")
		})
	}
	_, err := Load(filepath.Join(t.TempDir(), "none.toml"))
	require.ErrorIs(t, err, os.ErrNotExist)
}

func TestCheckNamesKeyValueAndFix(t *testing.T) {
	for name, test := range map[string]struct {
		from, to string // changes good
		key      string
		what     string
		fix      string
	}{
		"no broker":           {`"mqtt://127.0.0.1"`, `""`, "broker", `""`, "mqtts://"},
		"wrong scheme":        {"mqtt:", "http:", "broker", "http://127.0.0.1", "mqtts://"},
		"user in the address": {"mqtt://", "mqtt://me:word@", "broker", "me:xxxxx@", "mqtts://"},
		"plaintext":           {"127.0.0.1", "broker.example", "broker", "mqtt://broker.example", "plaintext = true"},
		"plaintext by number": {"127.0.0.1", "192.0.2.1", "broker", "mqtt://192.0.2.1", "plaintext = true"},
		"no use for ca_file":  {"spool_dir", "ca_file = \"secret\"\nspool_dir", "ca_file", "no use", "mqtts://"},
		"no spool_dir":        {`spool_dir = "spool"`, "", "spool_dir", "missing", "folder"},
		"spool_dir is a file": {`"spool"`, `"agent.toml"`, "spool_dir", "agent.toml is not a folder", "folder"},
		"spool_max_mb":        {"spool_dir", "spool_max_mb = -1\nspool_dir", "spool_max_mb", "-1", "1 or more"},
		"spool_max_days":      {"spool_dir", "spool_max_days = -1\nspool_dir", "spool_max_days", "-1", "any age"},
		"retry":               {"spool_dir", "retry = \"1ms\"\nspool_dir", "retry", "1ms", "1s or more"},
		"in_flight":           {"spool_dir", "in_flight = 5000\nspool_dir", "in_flight", "5000", "1 to 1000"},
		"clock_wait":          {"spool_dir", "clock_wait = \"25h\"\nspool_dir", "clock_wait", "25h", "1s to 24h"},
		"no credentials":      {`"secret"`, `"credential:lake-07"`, "station[1].secret_file", "CREDENTIALS_DIRECTORY is not set", "LoadCredential=lake-07:FILE"},
		"no such name":        {`"secret"`, `"credential:../x"`, "station[1].secret_file", "names no credential", "credential:"},
		"ca_file credential":  {"mqtt://127.0.0.1\"", "mqtts://127.0.0.1\"\nca_file = \"credential:ca\"", "ca_file", "CREDENTIALS_DIRECTORY is not set", "LoadCredential=ca:FILE"},
		"ca_file not there":   {"mqtt://127.0.0.1\"", "mqtts://127.0.0.1\"\nca_file = \"no.pem\"", "ca_file", "no.pem does not exist", "copy"},
		"ca_file of no use":   {"mqtt://127.0.0.1\"", "mqtts://127.0.0.1\"\nca_file = \"secret\"", "ca_file", "no certificate", "anew"},
		"state_every":         {"spool_dir", "state_every = \"-1s\"\nspool_dir", "state_every", "-1s", "1s or more"},
		"station id":          {`"lake-07"`, `"Lake 07"`, "station[1].id", "Lake 07", "enrolled"},
		"no secret":           {`"secret"`, `""`, "station[1].secret_file", "missing", "copy"},
		"secret not there":    {`"secret"`, `"sekret"`, "station[1].secret_file", "sekret does not exist", "copy"},
		"not a secret":        {`"secret"`, `"agent.toml"`, "station[1].secret_file", "not hexadecimal", "copy"},
		"no sensor":           {"[[station.sensor]]\ndriver = \"sim\"", "", "station[1].sensor", "none", "[[station.sensor]]"},
		"driver":              {`"sim"`, `"foo"`, "station[1].sensor[1].driver", "foo", "sim"},
		"interval":            {"[[station.", "interval = \"10ms\"\n[[station.", "station[1].interval", "10ms", "1s to 24h"},
		"burst":               {"[[station.", "burst = 1000\n[[station.", "station[1].burst", "1000", "0.1 s"},
		"burst divides":       {"[[station.", "burst = 7\n[[station.", "station[1].burst", "7 does not divide 1m0s", "divides"},
		"same channel twice":  {"driver = \"sim\"", "driver = \"sim\"\n[[station.sensor]]\ndriver = \"sim\"", "station[1].sensor[2]", "inside_temp_c", "one sensor"},
		"climate":             {"driver = \"sim\"", "driver = \"sim\"\nsim.climate = \"desert\"", "station[1].sensor[1].sim.climate", "desert", "lakeside"},
		"breathing":           {"driver = \"sim\"", "driver = \"sim\"\nsim.breathing_h = nan", "station[1].sensor[1].sim.breathing_h", "NaN", "hours"},
		"fault kind":          {"driver = \"sim\"", "driver = \"sim\"\nsim.fault = [{kind = \"fire\"}]", "station[1].sensor[1].sim.fault[1].kind", "fire", "sample"},
		"fault size":          {"driver = \"sim\"", "driver = \"sim\"\nsim.fault = [{kind = \"leakage\", size = inf}]", "station[1].sensor[1].sim.fault[1].size", "Inf", "how bad"},
		"both kinds":          {"driver = \"sim\"", "driver = \"sim\"\n[station.replay]\nfile = \"x\"", "station[1]", "not both", "either"},
		"replay without file": {"[[station.sensor]]\ndriver = \"sim\"", "[station.replay]", "station[1].replay.file", "missing", "CSV"},
		"replay file":         {"[[station.sensor]]\ndriver = \"sim\"", "[station.replay]\nfile = \"secret\"", "station[1].replay.file", "unknown column", "correct"},
		"replay speed":        {"[[station.sensor]]\ndriver = \"sim\"", "[station.replay]\nspeed = -1.0\nfile = \"secret\"", "station[1].replay.speed", "-1", "factor"},
		"never done":          {"[[station]]", "[replay]\nexit_when_done = true\n[[station]]", "replay.exit_when_done", "lake-07", "remove"},
	} {
		t.Run(name, func(t *testing.T) {
			require.Contains(t, good, test.from)
			c, err := Load(write(t, strings.Replace(good, test.from, test.to, 1)))
			require.NoError(t, err)
			problems := c.Check()
			require.NotEmpty(t, problems)
			require.Equal(t, test.key, problems[0].Key, "%v", problems)
			require.Contains(t, problems[0].What, test.what)
			require.Contains(t, problems[0].Fix, test.fix)
			_, err = New(c)
			require.ErrorContains(t, err, test.key)
		})
	}
}

func TestCheckFindsAllProblems(t *testing.T) {
	c, err := Load(write(t, `
broker = "mqtt://broker.example"
[[station]]
id = "a"
[[station]]
id = "a"
`))
	require.NoError(t, err)
	var keys []string
	for _, p := range c.Check() {
		keys = append(keys, p.Key)
	}
	require.Equal(t, []string{
		"broker", "spool_dir",
		"station[1].secret_file", "station[1].sensor",
		"station[2].id", "station[2].secret_file", "station[2].sensor",
	}, keys)
	require.Equal(t, "station", Config{Broker: "mqtts://x", SpoolDir: "y"}.Check()[0].Key)
}

func TestSecretOpenToAll(t *testing.T) {
	path := write(t, good)
	require.NoError(t, os.Chmod(filepath.Join(filepath.Dir(path), "secret"), 0o644))
	c, err := Load(path)
	require.NoError(t, err)
	problems := c.Check()
	require.Len(t, problems, 1)
	require.Contains(t, problems[0].Fix, "chmod o= ")
}

func TestPlaintextByName(t *testing.T) {
	c, err := Load(write(t, "plaintext = true\n"+strings.Replace(good, "127.0.0.1", "broker.example:1884", 1)))
	require.NoError(t, err)
	require.Empty(t, c.Check())
}
