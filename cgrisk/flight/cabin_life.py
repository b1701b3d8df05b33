"""What happens in the cabin from the start of taxi to shutdown: the rules, and their figures.

This page is the whole law of movement in the cabin. The compiled kernel in ``flight/kernel``
follows it, and so does a slow second version among the tests. Times run from the start of taxi;
"exponential" and "lognormal" are given by their means (and coefficients of variation).

**Seated stretches.** In phases of kind take_off and landing everybody is in his seat. The recall
comes ``recall_minutes`` before such a stretch starts, or at the end of the seated stretch before it
(the start of taxi) if that is later. From the recall to the end of the stretch nobody gets up. At
the recall everybody who is up, in a lavatory too, goes straight to his seat, as fast as he walks,
or faster so that he sits when the stretch starts. Consecutive such phases are one stretch.

**Classes.** A lavatory group or galley that names ``classes`` is for their passengers alone: for
all others it is as if it were not there, but that aisles may still be changed at its arm. Carts
serve the rows they are told to, whatever the class. Passengers who change seats after boarding
(``movers_share``) stay in their class.

**Sleep.** A number is drawn for each passenger, uniform between 0 and 1. He sleeps through every
phase whose ``asleep``, times his class's factor, is above it. While he sleeps his urge does not
grow; a decision of the sign-off rush that comes due falls away, and nobody in his party asks him
along. A second try, a surge, the sign and the recall find him awake.

**The urge.** While a passenger sits, his urge grows at a rate: that of his seat (window, middle,
aisle), times ``getting_up`` of the phase and of his class, times ``sign_factor`` while the sign is
lit, times ``after_meal_factor`` for ``after_meal`` minutes after a cart with trays has left his row
(once, where two such times overlap), times ``before_landing_factor`` in the ``before_landing``
minutes before the recall of the first seated stretch after the start of cruise (not before that
start); it is 0 between recall and end of a seated stretch. He wants to get up when what has grown
since he last sat down reaches an exponential number of mean 1. He wants a lavatory with chance
``lavatory_share``, else to stand about at a galley. Where his class has no lavatory, or every one
is closed, he wants a galley; where no galley of his class has room for anybody a lavatory; and with
neither he does not get up.

**The way.** Each seat belongs to an aisle; an aisle is a line; lavatories and galleys touch every
aisle. A cart fills its aisle at its arm from the moment it leaves its galley to its return; parked
carts are in nobody's way. A way along an aisle from one arm to another is free when no cart stands
in that aisle between them, both ends included. With two aisles a passenger may change from one to
the other at the arm of any lavatory or galley. From his seat he goes directly along his own aisle
if that is free, else by way of the one place of change that makes the shortest walk with both legs
free (the first in order of lavatories then galleys, if several are as short).

**Getting up.** Among the lavatory groups (galleys) that have room, and to which there is such a
way, he chooses the one with the shortest walk to its arm (not to its tail), the first in the file's
order if several are as short. A lavatory group has room while one of it is open and fewer than
``queue_limit`` wait; a galley while fewer passengers than ``standing`` stand in it or
are on their way to it. If there is none he stays, and tries again, for the same purpose and time,
after an exponential time of ``retry_mean``; if by then the sign is lit or getting up is barred he
gives it up, and a new urge starts to grow. Having sat down again after a trip, or called back by
sign or recall, he starts a new urge too. Whatever gets him up meanwhile takes the place of a second
try.

**Companions.** When somebody sets out because of his urge, a second try or the sign-off rush, each
other member of his party who sits gets up with chance ``companion_share`` and goes to the same
lavatory group or galley, provided that it has room and his own way there is free, and for a time of
his own; if not he stays as he is. Companions bring no companions.

**Walking.** Everybody has his own walking speed, lognormal, for the whole flight. He walks in a
straight line. On the way out, one who meets a cart (his arm and a cart's in his aisle become equal,
the cart ahead of him) turns back at once, the cart being behind him then and no longer in his way,
and tries again ``retry_mean`` after he sits, as above (not after a surge). Walkers do not hinder
one another, nor do those who stand. Nobody hinders a cart: those who stand in its way step in
between the seats.

**Lavatories.** A group has ``count`` lavatories and one queue, first come first served. The first
in the queue stands ``queue_spacing`` from the group's arm in the direction ``queue_toward``, the
next as much further on, and so forth; when one goes in, all step forward at once. The *tail* is the
group's arm if a lavatory is free and nobody waits, else the first free place of the queue. One who
sets out walks to the tail as it is then. When he gets there he looks again: if the tail is now more
than one and a half places from where he is, and nearer to the group's arm than he is, he walks on
to it and looks again there; if not he joins: he steps to the tail and, if a lavatory is free and
nobody waits, into it (the arm of one inside is the group's). He stays there lognormal
``lavatory_mean`` (or exponential, by ``lavatory_law``), then goes back to his seat. When he comes
out ``water_per_visit``, or what is left, moves from the potable tank to the waste tank.

**A lavatory out of use.** With chance ``lavatory_closed`` a flight, one lavatory of the cabin, each
equally likely, is closed from the start of taxi to shutdown, and everybody knows. Its group has one
lavatory less, and where that was its only one nobody sets out for it; but aisles may still be
changed at its arm.

**Galleys.** He walks to the galley's arm, stands there an exponential ``standing_mean``, and goes
back.

**The way back.** Directly along his own aisle if that is free; else, where he may change aisles
where he stands (in or before a lavatory, at a galley), along the other aisle to the place of change
that makes the shortest walk with both legs free; else directly along his own aisle, stopping behind
any cart ahead. One who turned back in the other aisle first goes to the place of change that makes
the shortest walk with both legs free, or else to the nearest, stopping behind carts. *Behind a
cart* he is at the cart's arm and moves as it does, whether it moves away or toward him, until it
moves away faster than he walks, or has gone into its galley, or he has reached his seat or place of
change. A cart that is behind him, or passes his seat as he gets there, does not hinder him.

**The sign.** When the sign is lit (a phase with it follows one without) all who are on the way out,
in a queue or standing about (a surge included) go back to their seats; those in a lavatory finish
first. When it goes off (the other way round) each passenger aboard decides with chance
``sign_off_share`` to get up an exponential ``sign_off_minutes`` later: if he sits then, and the
sign is off and getting up not barred, he wants to get up as by an urge of his own, with a purpose
and a time of his own; if he is up it falls away. A later such decision takes the place of one that
is still to come.

**The surge.** With chance ``surge_probability``, at a time uniform over the phases of kind cruise,
``surge_people`` of those aboard, chosen at random (all, if fewer), want to go to one end of the
cabin. In random order each of them who sits goes to the first free place along his aisle, if that
is nearer to the end than his seat and the way there along his own aisle is free; else he stays. In
each aisle the places start at the arm of the endmost row of seats of the cabin and follow one
another at ``queue_spacing`` into the cabin. They go back ``surge_minutes`` after the surge began,
or when they get there if that is later. It takes place whatever the sign says, but not when getting
up is barred.

**Carts.** In order of their ``start`` (as written where equal). A cart stops, in order from
``from_row`` to ``to_row``, at each row with seats in its aisle where such seats are taken; its stop
is at the mean arm of those seats of the row, taken or not. It stands there for the sum of
exponential times of ``seconds_per_passenger``, one for each passenger on those seats, whether he
sits there or is up. It leaves its galley at its start, or when each cart before it in that order
that uses the same aisle over a common stretch (between galley and rows, more than an end in common)
or has a row in common has returned, if later; and goes straight from the last stop to its galley.
It must be back by the recall of the first seated stretch after the start of cruise (the end of the
flight if none): a stop that could not be made in time is left out with all that follow, and a cart
without a stop stays. When it leaves a row each of the row's passengers has been given a tray, and
what he owes is taken from him; after that he owes ``returned`` of that tray to a later cart. What
is never taken stays at the seat.

**Crew.** They sit at their stations. In a phase of kind cruise with ``crew_resting`` so many, the
last of them in the file's order, are in the crew rest instead, at its arm, from the phase's start
to its end. Each cart takes ``crew`` members, those nearest to its galley (in the file's order if as
near) who are not with another cart when it leaves and do not rest while it is out, as many as there
are; they are at its arm until it returns, then at their stations. In the phases of kind climb,
cruise and descent, from the start of the first to the end of the last or the recall of the first
seated stretch after that start, if earlier, each member walks through the cabin: after an
exponential time at rate ``crew_walks``, from station to a place uniform between the first and last
seat and back, at the mean walking speed of passengers. The next such time starts when he is back.
He does not walk, and the next time starts at once, if any cart would be out during the walk or he
would rest; a walk that could not end in time is not made, and is his last. Where changing seats
after boarding is modelled (``movers_share``), on ``reseating_share`` of the flights the crew sends
everybody back to his own seat.

**Moment.** What moves is body mass; a cabin bag stays at its owner's seat. The moment of movement
is that of everything away from where the load sheet has it: passengers from their seats, trays and
waste from the galley that the tray came from, carts from their galleys, crew from their stations
(those who rest too),
used water from its tank. Mass is conserved.
"""
