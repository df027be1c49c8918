"""A supervised run on one device: ``plan`` says what is to happen, ``engine`` decides, ``process`` makes it live.

``plan`` reads and follows the staged sequence of a run. ``engine`` is one state machine without clock or I/O on top of
it. ``process`` gives it a port, a clock, an operator, a recording and a process of its own. ``still`` is work while the
motor cannot be driven: guided calibration, travel of the servo, trial of the trips. Each room exports what others use.
"""
