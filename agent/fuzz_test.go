package agent

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// FuzzConfig reads any configuration: what is loaded can be checked, and either
// has problems, each with key, value and fix, or makes an agent.
func FuzzConfig(f *testing.F) {
	sample, err := os.ReadFile(sampleFile)
	require.NoError(f, err)
	f.Add(string(sample))
	f.Add(optional.ReplaceAllString(string(sample), "$1"))
	f.Add(good)
	f.Add(strings.Replace(good, `"secret"`, `"credential:x"`, 1))
	f.Add("clock_wait = \"-1h\"\nretry = \"9999999h\"\nbroker = \"mqtts://[::1%25lo]:0\"\n[[station]]\nburst = 0\n")
	dir := f.TempDir()
	path := filepath.Join(dir, "agent.toml")
	secret := filepath.Join(dir, "secret")
	require.NoError(f, os.WriteFile(secret, []byte(strings.Repeat("ab", 16)), 0o600))
	f.Setenv("CREDENTIALS_DIRECTORY", dir)
	f.Fuzz(func(t *testing.T, text string) {
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		c, err := Load(path)
		if err != nil {
			return
		}
		for _, p := range c.paths() {
			if *p != "" && !strings.HasPrefix(*p, dir) && !strings.HasPrefix(*p, credential) {
				t.Skip("files elsewhere are none of this test's business")
			}
		}
		problems := c.Check()
		_, err = New(c)
		require.Equal(t, len(problems) == 0, err == nil, "%v", err)
		for _, p := range problems {
			require.NotEmpty(t, p.Key)
			require.NotEmpty(t, p.What)
			require.NotEmpty(t, p.Fix)
		}
	})
}
