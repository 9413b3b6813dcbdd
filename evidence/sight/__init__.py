"""What the pixels of a photo show. This is the only room with imaging libraries and networks.

In the order in which a photo passes through:

* `request` says what to look at; `batch` hands many requests to processes (`workers`), where `look` takes one.
* `look` decodes the file once (`pictures`, `pixels`) and puts the parts below together into a `Look`.
* `codes` reads QR codes and AprilTags, `quality` measures sharpness, light and size, and makes the hash.
* `contents` decides what else is worth the time: the kind of scene (`embedding`, `scene_head`),
  writing (`writing`, decoded by `ctc`), a sheet of paper (`sheet`), a chalked test square (`chalk`).
* `weights` makes the image network from installed files, `runtime` opens networks.

`request`, `batch`, `workers` and `scene_head` load no imaging library.
"""
