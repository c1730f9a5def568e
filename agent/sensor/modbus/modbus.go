// Package modbus reads transmitters by Modbus RTU, on a serial line or through
// a gateway, and by Modbus TCP.
//
// Source: MODBUS Application Protocol Specification V1.1b3 (functions 3 and 4:
// sections 6.3 and 6.4); Modbus over Serial Line V1.02.
package modbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"math"
	"strings"
	"time"

	client "github.com/simonvetter/modbus"

	"dewpost/agent/sensor"
)

// Register is one value of a transmitter's map.
type Register struct {
	Name    string // what the value is called in a mapping
	Address uint16 // as on the wire, counted from 0
	Input   bool   // an input register (function 4), not a holding one (3)
	Kind    string // one of Kinds
	Swapped bool   // of 32 bits, the low word comes first
}

// Kinds are the ways in which a value can be written.
func Kinds() []string { return []string{"int16", "uint16", "int32", "uint32", "float32"} }

// Config describes a transmitter.
type Config struct {
	URL       string // tcp://HOST:PORT, rtu:///dev/…, rtuovertcp://HOST:PORT
	Unit      uint8
	Baud      uint // rtu
	Parity    string
	Registers []Register
}

// Parities are those of a serial line.
func Parities() []string { return []string{"none", "even", "odd"} }

// ValidURL returns an error that says how to write the place of a transmitter,
// or nil.
func ValidURL(url string) error {
	kind, rest, ok := strings.Cut(url, "://")
	switch {
	case !ok || rest == "":
	case kind == "rtu", (kind == "tcp" || kind == "rtuovertcp") && strings.Contains(rest, ":"):
		return nil
	}
	return fmt.Errorf("%q: write tcp://HOST:502, rtu:///dev/ttyUSB0 or, for a gateway, rtuovertcp://HOST:PORT", url)
}

// answer is how long a transmitter may take.
const answer = time.Second

// Chip is one transmitter.
type Chip struct {
	cfg    Config
	client *client.ModbusClient // nil while not open
}

// New returns the transmitter; it is opened by the first measurement.
func New(cfg Config) *Chip { return &Chip{cfg: cfg} }

// Measure reads all registers of the map. One that can't be read leaves the
// others.
func (c *Chip) Measure(ctx context.Context) (sensor.Values, error) {
	if err := c.open(); err != nil {
		return nil, err
	}
	values := sensor.Values{}
	var errs []error
	for _, r := range c.cfg.Registers {
		if err := ctx.Err(); err != nil {
			errs = append(errs, fmt.Errorf("no time left: %w", err))
			break
		}
		v, err := c.read(r)
		if err != nil {
			errs = append(errs, fmt.Errorf("%s, unit %d, register %d: %w", c.cfg.URL, c.cfg.Unit, r.Address, err))
			continue
		}
		values[r.Name] = v
	}
	return values, errors.Join(errs...)
}

func (c *Chip) open() error {
	if c.client != nil {
		return nil
	}
	parity := map[string]uint{"none": client.PARITY_NONE, "even": client.PARITY_EVEN, "odd": client.PARITY_ODD}[c.cfg.Parity]
	m, err := client.NewClient(&client.ClientConfiguration{
		URL: c.cfg.URL, Speed: c.cfg.Baud, Parity: parity, Timeout: answer,
		Logger: log.New(io.Discard, "", 0), // what it says is in its errors
	})
	if err != nil {
		return fmt.Errorf("%s: %w", c.cfg.URL, err)
	}
	if err := m.Open(); err != nil {
		return fmt.Errorf("%s: %w", c.cfg.URL, err)
	}
	if err := m.SetUnitId(c.cfg.Unit); err != nil {
		return errors.Join(err, m.Close())
	}
	c.client = m
	return nil
}

func (c *Chip) read(r Register) (float64, error) {
	order := client.HIGH_WORD_FIRST
	if r.Swapped {
		order = client.LOW_WORD_FIRST
	}
	if err := c.client.SetEncoding(client.BIG_ENDIAN, order); err != nil {
		return 0, err
	}
	from := client.HOLDING_REGISTER
	if r.Input {
		from = client.INPUT_REGISTER
	}
	switch r.Kind {
	case "int32", "uint32", "float32":
		v, err := c.client.ReadUint32(r.Address, from)
		switch {
		case r.Kind == "int32":
			return float64(int32(v)), err
		case r.Kind == "uint32":
			return float64(v), err
		}
		return float64(math.Float32frombits(v)), err
	}
	v, err := c.client.ReadRegister(r.Address, from)
	if r.Kind == "uint16" {
		return float64(v), err
	}
	return float64(int16(v)), err
}

// Recover closes the line or the connection; the next measurement opens it
// anew, and begins with an empty one.
func (c *Chip) Recover(context.Context) error {
	m := c.client
	c.client = nil
	if m == nil {
		return nil
	}
	if err := m.Close(); err != nil {
		return fmt.Errorf("close: %w", err)
	}
	return nil
}
