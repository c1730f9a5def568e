package modbus

import (
	"context"
	"io"
	"log"
	"math"
	"net"
	"testing"

	client "github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"
)

// transmitter is a Modbus TCP server of the library with a register map.
type transmitter struct{ holding, input map[uint16]uint16 }

func (tr *transmitter) HandleCoils(*client.CoilsRequest) ([]bool, error) {
	return nil, client.ErrIllegalFunction
}

func (tr *transmitter) HandleDiscreteInputs(*client.DiscreteInputsRequest) ([]bool, error) {
	return nil, client.ErrIllegalFunction
}

func registers(of map[uint16]uint16, addr, quantity uint16) (list []uint16, err error) {
	for i := range quantity {
		v, ok := of[addr+i]
		if !ok {
			return nil, client.ErrIllegalDataAddress
		}
		list = append(list, v)
	}
	return list, nil
}

func (tr *transmitter) HandleHoldingRegisters(r *client.HoldingRegistersRequest) ([]uint16, error) {
	return registers(tr.holding, r.Addr, r.Quantity)
}

func (tr *transmitter) HandleInputRegisters(r *client.InputRegistersRequest) ([]uint16, error) {
	return registers(tr.input, r.Addr, r.Quantity)
}

func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, l.Close())
	return l.Addr().String()
}

func serve(t *testing.T, tr *transmitter) string {
	t.Helper()
	url := "tcp://" + freePort(t)
	s, err := client.NewServer(&client.ServerConfiguration{URL: url, MaxClients: 2, Logger: log.New(io.Discard, "", 0)}, tr)
	require.NoError(t, err)
	require.NoError(t, s.Start())
	t.Cleanup(func() { require.NoError(t, s.Stop()) })
	return url
}

func TestTCP(t *testing.T) {
	bits := math.Float32bits(-12.5)
	minusTwo := uint16(math.MaxUint16 - 1)
	url := serve(t, &transmitter{
		holding: map[uint16]uint16{0: minusTwo, 1: 65000, 10: 0x0001, 11: 0x0000, 12: uint16(bits >> 16), 13: uint16(bits), 14: uint16(bits), 15: uint16(bits >> 16), 16: 0xffff, 17: 0xfffe},
		input:   map[uint16]uint16{0: 815},
	})
	c := New(Config{URL: url, Unit: 1, Registers: []Register{
		{Name: "signed", Address: 0, Kind: "int16"},
		{Name: "unsigned", Address: 1, Kind: "uint16"},
		{Name: "long", Address: 10, Kind: "uint32"},
		{Name: "float", Address: 12, Kind: "float32"},
		{Name: "swapped", Address: 14, Kind: "float32", Swapped: true},
		{Name: "signed long", Address: 16, Kind: "int32"},
		{Name: "input", Address: 0, Kind: "int16", Input: true},
		{Name: "none", Address: 99, Kind: "int16"},
	}})
	v, err := c.Measure(t.Context())
	require.ErrorContains(t, err, "register 99")
	require.Equal(t, map[string]float64{
		"signed": -2, "unsigned": 65000, "long": 65536, "float": -12.5, "swapped": -12.5, "signed long": -2, "input": 815,
	}, map[string]float64(v), "one that can't be read leaves the others")
	require.NoError(t, c.Recover(t.Context()))
	require.NoError(t, c.Recover(t.Context()))
	_, err = c.Measure(t.Context())
	require.Error(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	v, err = c.Measure(ctx)
	require.ErrorIs(t, err, context.Canceled)
	require.Empty(t, v)
	require.NoError(t, c.Recover(t.Context()))
}

// TestRTU answers one request of RTU with composed frames: the request, and its
// checksum, are those of the specification's form: unit, function, address,
// count, CRC-16 with its low byte first. Values of the CRC from a well-known
// example: 01 03 00 00 00 01 has 84 0A.
func TestRTU(t *testing.T) {
	request := []byte{0x01, 0x03, 0x00, 0x00, 0x00, 0x01, 0x84, 0x0a}
	good := []byte{0x01, 0x03, 0x02, 0x00, 0x64, 0xb9, 0xaf} // 100
	wrong := append([]byte(nil), good...)
	wrong[6] ^= 1
	for name, test := range map[string]struct {
		answer []byte
		want   string
	}{
		"good":      {good, ""},
		"checksum":  {wrong, "crc"},
		"exception": {[]byte{0x01, 0x83, 0x02, 0xc0, 0xf1}, "illegal data address"},
		"cut off":   {good[:4], "register 0"},
		"silence":   {nil, "register 0"},
	} {
		t.Run(name, func(t *testing.T) {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			require.NoError(t, err)
			defer l.Close()
			got := make(chan []byte, 1)
			go func() {
				conn, err := l.Accept()
				if err != nil {
					got <- nil
					return
				}
				b := make([]byte, len(request))
				_, _ = io.ReadFull(conn, b)
				_, _ = conn.Write(test.answer)
				got <- b
				_ = conn.Close()
			}()
			c := New(Config{URL: "rtuovertcp://" + l.Addr().String(), Unit: 1, Registers: []Register{{Name: "v", Kind: "int16"}}})
			v, err := c.Measure(t.Context())
			require.Equal(t, request, <-got)
			if test.want == "" {
				require.NoError(t, err)
				require.Equal(t, 100.0, v["v"])
			} else {
				require.ErrorContains(t, err, test.want)
				require.Empty(t, v)
			}
			require.NoError(t, c.Recover(t.Context()))
		})
	}
}

func TestNobodyThere(t *testing.T) {
	for _, url := range []string{"tcp://" + freePort(t), "rtu:///dev/no-such-line"} {
		require.NoError(t, ValidURL(url))
		_, err := New(Config{URL: url, Unit: 1, Parity: "even", Baud: 9600}).Measure(t.Context())
		require.ErrorContains(t, err, url)
	}
	_, err := New(Config{URL: "smoke://signal"}).Measure(t.Context())
	require.ErrorContains(t, err, "smoke")
	for _, bad := range []string{"", "tcp://", "tcp://host", "rtu://", "host:502", "smoke://a:1"} {
		require.Error(t, ValidURL(bad), bad)
	}
	require.Contains(t, Parities(), "even")
	require.Contains(t, Kinds(), "float32")
}
