// Package i2cbus shares the I²C buses of a board among the drivers: it opens
// them when needed, opens them anew when they fail, and keeps a stuck bus from
// taking everybody's time.
package i2cbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"periph.io/x/host/v3/sysfs"
)

// Conn is an open bus.
type Conn interface {
	// Tx writes w to the device and then reads len(r) bytes, as one
	// transaction; either may be empty.
	Tx(addr uint16, w, r []byte) error
}

const (
	// reopen is after how many failures in a row the bus is opened anew.
	reopen = 3
	// slow is from when on a failed transaction means that something holds
	// the bus: a device that doesn't answer fails at once, while for a line held
	// low the kernel waits for its adapter's time, about a second, and then
	// clocks the line free if the adapter can.
	slow = 200 * time.Millisecond
	// rest is how long a stuck bus is left alone.
	rest = 5 * time.Second
)

// ErrStuck is returned at once while a bus that was held is left alone.
var ErrStuck = errors.New("the bus is stuck: a device or a wire holds SDA or SCL low; look for a short circuit, water, or a sensor without supply")

// Buses are the buses of a board.
type Buses struct {
	open func(number int) (Conn, error)

	mu    sync.Mutex
	buses map[int]*Bus
}

// New returns the buses of this machine, /dev/i2c-0 and so on.
func New() *Buses {
	return With(func(n int) (Conn, error) { return sysfs.NewI2C(n) })
}

// With returns buses that open opens.
func With(open func(number int) (Conn, error)) *Buses {
	return &Buses{open: open, buses: map[int]*Bus{}}
}

// Bus returns the bus of that number. It is opened by its first use.
func (b *Buses) Bus(number int) *Bus {
	b.mu.Lock()
	defer b.mu.Unlock()
	bus, ok := b.buses[number]
	if !ok {
		bus = &Bus{number: number, open: b.open}
		b.buses[number] = bus
	}
	return bus
}

// Close closes those that are open.
func (b *Buses) Close() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	var errs []error
	for _, bus := range b.buses {
		errs = append(errs, bus.close())
	}
	return errors.Join(errs...)
}

// Bus is one bus. It is safe for concurrent use.
type Bus struct {
	number int
	open   func(int) (Conn, error)

	mu     sync.Mutex
	conn   Conn
	failed int       // in a row
	until  time.Time // left alone till then
}

// Tx does one transaction.
func (b *Bus) Tx(ctx context.Context, addr uint16, w, r []byte) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("I²C bus %d: no time left: %w", b.number, err)
	}
	began := time.Now()
	if began.Before(b.until) {
		return fmt.Errorf("I²C bus %d: %w", b.number, ErrStuck)
	}
	if b.conn == nil {
		conn, err := b.open(b.number)
		if err != nil {
			return fmt.Errorf("I²C bus %d: %w", b.number, err)
		}
		b.conn = conn
	}
	err := b.conn.Tx(addr, w, r)
	if err == nil {
		b.failed = 0
		return nil
	}
	b.failed++
	if time.Since(began) >= slow {
		b.until = time.Now().Add(rest)
	}
	if b.failed%reopen == 0 {
		err = errors.Join(err, b.shut())
	}
	return fmt.Errorf("I²C bus %d, address 0x%02X: %w", b.number, addr, err)
}

func (b *Bus) close() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.shut()
}

func (b *Bus) shut() error {
	conn := b.conn
	b.conn = nil
	if c, ok := conn.(io.Closer); ok {
		return c.Close()
	}
	return nil
}

// Device is a chip on a bus.
type Device struct {
	Bus  *Bus
	Addr uint16
}

// Tx writes w and then reads into r.
func (d Device) Tx(ctx context.Context, w, r []byte) error { return d.Bus.Tx(ctx, d.Addr, w, r) }

// Register reads a register of 16 bits, high byte first.
func (d Device) Register(ctx context.Context, reg byte) (uint16, error) {
	var r [2]byte
	if err := d.Tx(ctx, []byte{reg}, r[:]); err != nil {
		return 0, err
	}
	return uint16(r[0])<<8 | uint16(r[1]), nil
}

// SetRegister writes a register of 16 bits.
func (d Device) SetRegister(ctx context.Context, reg byte, v uint16) error {
	return d.Tx(ctx, []byte{reg, byte(v >> 8), byte(v)}, nil)
}

// Wait waits for a chip.
func Wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return fmt.Errorf("no time left: %w", ctx.Err())
	case <-t.C:
		return nil
	}
}
