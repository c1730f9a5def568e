package crc8

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// TestSum_SHT3x compares with the datasheet's example (0xBEEF) and with values
// computed elsewhere.
func TestSum_SHT3x(t *testing.T) {
	for want, data := range map[byte][]byte{0x92: {0xbe, 0xef}, 0xac: {0x00}, 0x81: {0, 0}, 0x93: {0x66, 0x66}, 0xa2: {0x80, 0x00}} {
		require.Equal(t, want, Sum(data), "% X", data)
	}
	require.Equal(t, byte(0xac), Sum([]byte{0xff, 0xff}))
}

func TestWords(t *testing.T) {
	words, err := Words([]byte{0xbe, 0xef, 0x92, 0x66, 0x66, 0x93})
	require.NoError(t, err)
	require.Equal(t, []uint16{0xbeef, 0x6666}, words)
	for _, broken := range [][]byte{{0xbe, 0xef, 0x93}, {0xbe, 0xef, 0x92, 0x66, 0x67, 0x93}, {0xff, 0xff, 0xff}} {
		_, err = Words(broken)
		require.ErrorContains(t, err, "disturbed")
	}
}
