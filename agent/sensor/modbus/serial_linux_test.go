package modbus

import (
	"fmt"
	"io"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// line is a serial line: a terminal of the kernel's, whose other end is ours.
func line(t *testing.T) (here *os.File, there string) {
	t.Helper()
	here, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, here.Close()) })
	raw, err := here.SyscallConn()
	require.NoError(t, err)
	n := 0
	var failed error
	require.NoError(t, raw.Control(func(fd uintptr) {
		if failed = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0); failed == nil {
			n, failed = unix.IoctlGetInt(int(fd), unix.TIOCGPTN)
		}
	}))
	require.NoError(t, failed)
	there = fmt.Sprintf("/dev/pts/%d", n)
	kept, err := os.OpenFile(there, os.O_RDWR|unix.O_NOCTTY, 0) // a line is there when nobody has it open, too
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, kept.Close()) })
	return here, there
}

// TestSerial speaks RTU on a serial line, with the frames of TestRTU: two
// registers of a transmitter, one after the other; then one that another speaks
// over, which is tried again on an emptied line.
func TestSerial(t *testing.T) {
	here, there := line(t)
	c := New(Config{URL: "rtu://" + there, Unit: 1, Baud: 19200, Parity: "even", Registers: []Register{{Name: "v", Kind: "int16"}}})
	request := []byte{0x01, 0x03, 0x00, 0x00, 0x00, 0x01, 0x84, 0x0a}
	good := []byte{0x01, 0x03, 0x02, 0x00, 0x64, 0xb9, 0xaf} // 100
	noisy := []byte{0x01, 0x03, 0x02, 0x00, 0x65, 0xb9, 0xaf}
	got := make(chan []byte, 3)
	go func() {
		for _, answer := range [][]byte{good, noisy, good} {
			b := make([]byte, len(request))
			if _, err := io.ReadFull(here, b); err != nil {
				got <- []byte(err.Error())
				return
			}
			got <- b
			for _, part := range [][]byte{answer[:3], answer[3:]} { // as it comes from a line
				if _, err := here.Write(part); err != nil {
					return
				}
			}
		}
	}()
	v, err := c.Measure(t.Context())
	require.NoError(t, err)
	require.Equal(t, request, <-got)
	require.Equal(t, 100.0, v["v"])
	_, err = c.Measure(t.Context())
	require.ErrorContains(t, err, "crc")
	require.NoError(t, c.Recover(t.Context()))
	v, err = c.Measure(t.Context())
	require.NoError(t, err)
	require.Equal(t, 100.0, v["v"])
	require.NoError(t, c.Recover(t.Context()))
}
