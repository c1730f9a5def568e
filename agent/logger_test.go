package agent

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestLoggerProblems(t *testing.T) {
	c, err := Load(write(t, "broker = \"mqtt://127.0.0.1\"\nspool_dir = \"spool\"\n[logger]\ndir = \"carry\"\nevery = \"1ms\"\n[[station]]\nid = \"lake-07\"\n[station.replay]\nfile = \"agent.toml\"\n"))
	require.NoError(t, err)
	var keys []string
	for _, p := range c.Check() {
		keys = append(keys, p.Key)
	}
	require.Equal(t, []string{"broker", "logger.every", "station[1].replay", "station[1].replay.file"}, keys)
}

// TestLogger runs without broker and secret, and leaves a file with a whole
// table and an empty spool.
func TestLogger(t *testing.T) {
	c, err := Load(write(t, "spool_dir = \"spool\"\nclock_wait = \"1s\"\n[logger]\ndir = \"carry\"\nevery = \"1s\"\n[[station]]\nid = \"lake-07\"\ninterval = \"1s\"\nburst = 1\n[[station.sensor]]\ndriver = \"sim\"\n"))
	require.NoError(t, err)
	require.Empty(t, c.Check())
	a, err := New(c)
	require.NoError(t, err)
	ctx, stop := withCancel(t)
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	var files []string
	eventually(t, "a file", func() bool {
		files, err = filepath.Glob(filepath.Join(c.Logger.Dir, "lake-07-*.csv"))
		return err == nil && len(files) > 0
	})
	require.Zero(t, a.receiptAge(), "it waits for none")
	stop()
	require.NoError(t, <-done)
	text, err := os.ReadFile(files[0])
	require.NoError(t, err)
	require.Regexp(t, `^time,inside_temp_c,inside_rh_pct\n(20[0-9T:.-]+Z,-?[0-9.]+,[0-9.]+\n)+$`, string(text))
	again, err := New(c)
	require.NoError(t, err)
	require.Zero(t, again.receiptAge())
}
