package take

import (
	"io"
	"os"

	"cuechoir/internal/fault"
)

// A file that is deleted while it is written lives on for who has it open, and
// goes with the last one. So a take whose folder is deleted under it ends, and
// its sound is written anew before it is let go.

// deleted says that the take's file has no name any more.
func (w *Writer) deleted() error {
	f, ok := w.file.(interface{ nameless() bool })
	if !ok || !f.nameless() {
		return nil
	}
	return fault.New(fault.Missing, "the file was deleted while it was sung, so the take ends here").
		In(place(w.info.Layer, wavName(w.info.ID)), "").
		Mended("what is sung so far is written anew: see cuechoir takes %s, and find out what deletes files there", w.info.Layer)
}

// rescue writes the sound anew, in the score's folder under the next free
// number, or where temporary files go when that cannot be. The sidecar is left
// to Finish, but for the second case. Errors say where the sound is, or that it is lost.
func (w *Writer) rescue() error {
	err := w.copyInto(w.dir)
	if err == nil {
		return nil
	}
	other, e := os.MkdirTemp("", "cuechoir-rescued-")
	if e == nil {
		e = w.copyInto(other)
	}
	if e != nil {
		return diskFault(place(w.info.Layer, wavName(w.info.ID)), "the take was deleted while it was sung, and could not be written anew", e)
	}
	w.info.State = Whole
	if e := w.writeSidecar(); e != nil {
		return e
	}
	return fault.New(fault.Missing, "the take was deleted while it was sung; its sound is kept elsewhere").
		In(other+"/"+place(w.info.Layer, wavName(w.info.ID)), "").Because(err).
		Mended("move it to a safe place, and take it in: cuechoir sing %s --input FILE", w.info.Layer)
}

// copyInto makes the take again beneath dir, and writes there from now on.
func (w *Writer) copyInto(dir string) error {
	from, ok := w.file.(io.ReadSeeker)
	if !ok {
		return fault.New(fault.Unexpected, "the sound cannot be read back")
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return err
	}
	f, err := openLayer(dir, w.info.Layer, true)
	if err != nil {
		return err
	}
	again := &Writer{folder: f, info: w.info}
	if err := again.open(); err != nil {
		f.Close()
		return err
	}
	_, err = from.Seek(0, io.SeekStart)
	if err == nil {
		_, err = io.Copy(again.file, from)
	}
	if err == nil {
		err = again.file.Sync()
	}
	if err != nil {
		f.Remove(wavName(again.info.ID))
		again.file.Close()
		f.Close()
		return err
	}
	w.file.Close()
	if w.close != nil {
		w.close()
	}
	w.folder, w.close, w.file, w.info.ID = f, f.Close, again.file, again.info.ID
	return nil
}

// markWhole says in the sidecar that the take has ended.
func (w *Writer) markWhole() error {
	w.info.State = Whole
	err := w.writeSidecar()
	if err != nil {
		w.info.State = Recording
	}
	return err
}
