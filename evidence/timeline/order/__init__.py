"""The true shooting order of the files on a card.

`units` joins the files of one press of the shutter and reads their time stamps; `numbers` orders them by
file number and tests whether the numbers can be trusted; `runs` cuts a card wherever its clock was set.
"""
