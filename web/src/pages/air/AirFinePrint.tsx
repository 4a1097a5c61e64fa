/** Method, source and limits of the air view, for whoever unfolds them. */
export function AirFinePrint() {
  return (
    <>
      <p>
        In use: the union of busy intervals over the window, as this gateway heard them; what it did not hear
        is not in it. A packet counts once, however many antennas heard it. Offered load is the sum of airtime
        over the window, in Erlang, and may exceed what is in use. Airtime follows from data rate and size; a
        preamble of 8 symbols is assumed. CRC-failed packets count for the air and never for a node.
      </p>
      <p>
        The noise floor is the 10&#8239;% quantile of the noise that frames at an SNR of 0 dB or less betray;
        where there are too few of them, frames up to 5 dB are taken and the figure is an upper bound. Its
        trend is the slope of Theil and Sen over the stretches of the lane, tested after Mann and Kendall with
        a variance widened for autocorrelation: it counts from 3 dB and p below 0.01.
      </p>
      <p>
        Strangers are told by the network identifier of their addresses, or by what you said of a node. While
        a gateway sends it hears nothing on any channel; its downlinks are known only where they pass this
        machine. Demodulator demand: Erlang's B formula with 8 and with 16 demodulators.
      </p>
      <p>
        Airtime against limits: the most that any 3&#8239;600 s hold, wherever they begin, for each
        transmitter and sub-band by itself. It is a lower bound, for frames that nobody heard are missing; the
        estimate divides it by the delivery ratio. Local rules prevail.
      </p>
    </>
  );
}
